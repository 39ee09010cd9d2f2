package main

import (
	"crypto/sha256"
	"debug/elf"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Two programs of one size are two where their build IDs differ or, without one,
// anything in them.
func TestAProgramIsKnownByItsContent(t *testing.T) {
	program := func(id, rest string) string {
		note := "\x04\x00\x00\x00" + string(rune(len(id))) + "\x00\x00\x00" + string(goNote) + id
		if id == "" {
			note = ""
		}
		return identityOf(strings.NewReader("\x7fELF" +
			strings.Repeat("\x00", 60) + note + strings.Repeat("x", 100_000) + rest))
	}
	require.Equal(t, program("abcd/efgh", "one"), program("abcd/efgh", "one"))
	require.NotEqual(t, program("abcd/efgh", "one"), program("abcd/efgi", "one"))
	require.NotEqual(t, program("", "one"), program("", "two"))

	// This very program has the ID that stands in its section of that name: the sizes
	// of name and ID, a type, the name "Go" (ELF gABI, note section).
	f, err := elf.Open(os.Args[0])
	require.NoError(t, err)
	defer f.Close()
	note, err := f.Section(".note.go.buildid").Data()
	require.NoError(t, err)
	name, size := f.ByteOrder.Uint32(note), f.ByteOrder.Uint32(note[4:])
	id := note[12+name:][:size]
	require.NotEmpty(t, id)
	require.Equal(t, fmt.Sprintf("%x", sha256.Sum256(id))[:16], programID())
}
