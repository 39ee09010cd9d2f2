package unit

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

func TestNear(t *testing.T) {
	terrain := []string{"mud", "water", "dust", "sand", "gravel", "rock", "grass", "forest", "snow", "road"}
	names := []string{"Ines Varga", "Tom Okello", "Pia Lindqvist", "Lucia Prado", "Anton Beres", "Mei Tanaka"}
	machines := []string{"R1", "R2", "R3", "R4", "R5", "Q1", "Heron"}
	for _, c := range []struct {
		word  string
		known []string
		want  []string
	}{
		{"dirt", terrain, []string{"dust"}},
		{"MUD", terrain, []string{"mud"}},
		{"gravle", terrain, []string{"gravel"}},
		{"gra", terrain, []string{"grass", "gravel"}},
		{"Ines Verga", names, []string{"Ines Varga"}},
		{"Lucie Prada", names, []string{"Lucia Prado"}},
		{"okello", names, []string{"Tom Okello"}},
		{"R9", machines, []string{"R1", "R2", "R3"}},
		{"hreon", machines, []string{"Heron"}},
		{"asphalt", terrain, nil},
		{"", terrain, nil},
		{"x", machines, nil},
	} {
		assert.Equal(t, c.want, Near(c.word, c.known), c.word)
	}
}

// Distances from Levenshtein's textbook pair (kitten, sitting = 3) and Damerau's swap counted as one.
func TestDistance(t *testing.T) {
	assert.Equal(t, 3, distance("kitten", "sitting", 9))
	assert.Equal(t, 1, distance("mdu", "mud", 9))
	assert.Equal(t, 3, distance("ca", "abc", 9)) // optimal string alignment; unrestricted Damerau-Levenshtein is 2
	assert.Equal(t, 3, distance("", "abc", 9))
	assert.Equal(t, 2, distance("kitten", "sitting", 1))
}

func TestNearIgnoresOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		known := rapid.SliceOfDistinct(rapid.StringMatching(`[a-c]{1,5}`), rapid.ID[string]).Draw(t, "known")
		word := rapid.StringMatching(`[a-c]{1,5}`).Draw(t, "word")
		before := strings.Join(known, ",")
		a := Near(word, known)
		if strings.Join(known, ",") != before {
			t.Fatal("the caller's list was changed")
		}
		assert.Equal(t, a, Near(word, rapid.Permutation(known).Draw(t, "shuffled")))
	})
}
