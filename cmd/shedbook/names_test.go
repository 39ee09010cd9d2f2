package main

import (
	"bytes"
	"context"
	"html"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/stretchr/testify/require"
	"golang.org/x/text/unicode/norm"

	"shedbook/schema"
	"shedbook/store"
)

// named are the drivers of the yard, all of whom are named in every text of it.
var named = []string{"Ada Venn", "Bo Larkin", "Bo", "José Núñez", "Jean-Luc O'Brien"}

// spellings are the ways in which a name may be written, by people and programs.
func spellings(name string) []string {
	words := strings.Fields(name)
	swapped := append([]string{words[len(words)-1]}, words[:len(words)-1]...)
	hidden := make([]string, len(words))
	for i, w := range words {
		r := []rune(w)
		hidden[i] = string(r[:1]) + "\u200b" + string(r[1:])
	}
	return []string{name, strings.ToUpper(name), strings.ToLower(name), norm.NFD.String(name),
		strings.Join(words, "\u00a0"), strings.Join(words, "  "),
		strings.Join(hidden, " "), strings.Join(words, "\u200b"), strings.Join(swapped, ", "), strings.Join(words, "-")}
}

// everyName is a text with all of them, and a word of its own that stays.
func everyName(stays string) string {
	var b strings.Builder
	b.WriteString(stays)
	for _, name := range named {
		for _, s := range spellings(name) {
			b.WriteString(" with " + s + " too")
		}
	}
	return b.String()
}

// full is a record of the kind with every field filled, everybody in its texts.
func full(k *schema.Kind, machine, word string, nth int) schema.Record {
	r := k.New()
	for i := range k.Fields {
		f := &k.Fields[i]
		switch p := f.Pointer(r).(type) {
		case *string:
			switch {
			case f.Type == schema.MachineField:
				*p = machine
			case f.Type == schema.DriverField:
				*p = named[nth%len(named)]
			case f.Vocabulary == "terrain":
				*p = word
			case f.Type == schema.WordField:
				*p = schema.Words(f.Vocabulary)[0]
			default:
				*p = everyName("text of " + f.Name)
			}
		case *schema.Num:
			*p = schema.N(max(f.Min, 1))
		case *time.Time:
			*p = time.Date(2026, 3, 1+nth, 8, 0, 0, 0, time.UTC)
		case *[]string:
			*p = schema.Words(f.Vocabulary)[:1]
		}
	}
	switch r := r.(type) {
	case *schema.Spec:
		r.Model = ""
	case *schema.Plan:
		r.Model = ""
	case *schema.Answer:
		r.Driver, r.Factor, r.Service = "", "", schema.Num{}
	case *schema.Run:
		r.MeterIn, r.MeterOut = schema.Num{}, schema.Num{}
	case *schema.Machine:
		r.Name, r.Acquired, r.Year = machine, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), schema.N(2020)
		r.Retired = time.Date(2026, 9, 1, 0, 0, 0, 0, time.UTC)
	}
	return r
}

// leaks finds who is named in bytes, whatever the spelling. It folds by other
// means than the program does: by the letters' compatible forms alone.
func leaks(data []byte) []string {
	data = regexp.MustCompile(`data:image/[a-z]+;base64,[A-Za-z0-9+/=]*`).ReplaceAll(data, nil)
	fold := strings.Map(func(r rune) rune {
		if unicode.In(r, unicode.Mn, unicode.Cf) {
			return -1
		}
		return unicode.ToLower(r)
	}, norm.NFKD.String(html.UnescapeString(string(data))))
	var out []string
	for _, part := range []string{"ada", "venn", "larkin", "bo", "jose", "nunez", "jean", "brien"} {
		if at := regexp.MustCompile(`(?:^|[^a-z0-9])` + part + `(?:[^a-z0-9]|$)`).FindStringIndex(fold); at != nil {
			out = append(out, part+": "+fold[max(at[0]-40, 0):min(at[1]+40, len(fold))])
		}
	}
	return out
}

func TestLeaksAreFound(t *testing.T) {
	for _, name := range named {
		for _, s := range spellings(name) {
			// AdaVenn has no bounds
			if !strings.Contains(s, "\u200b") || strings.Contains(s, " ") || len(strings.Fields(name)) == 1 {
				require.NotEmpty(t, leaks([]byte("said "+s+" then")), "%q", s)
			}
		}
	}
	require.Empty(t, leaks([]byte("body of Adagio, a bobbin, Driver A of larkinsville")))
}

// Whatever leaves for a buyer names nobody, however he is spelled and wherever
// somebody wrote him: in every field of every kind, in what it was before, in
// the reasons, in captions and file names; in every format.
func TestNobodyIsNamedInWhatLeaves(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	dir := t.TempDir()
	book := filepath.Join(dir, "yard.db")
	now := time.Date(2026, 3, 20, 12, 0, 0, 0, time.UTC)
	b, err := store.Create(ctx, book, func() time.Time { return now })
	require.NoError(t, err)
	for _, name := range named {
		_, err := b.Record(ctx, &schema.Driver{Name: name, Note: everyName("his note")})
		require.NoError(t, err)
	}
	word := strings.ToLower(everyName("ground"))
	require.NoError(t, b.AddWord(ctx, schema.Word{Vocabulary: "terrain", Word: word}))
	machine := everyName("R4")
	_, err = b.Record(ctx, full(schema.KindNamed("machine"), machine, word, 0))
	require.NoError(t, err)
	model := full(schema.KindNamed("machine"), machine, word, 0).(*schema.Machine).Model
	var numbers []int64
	kinds := 0
	for nth, k := range schema.Kinds {
		if f := k.Field("machine"); f == nil || f.Type != schema.MachineField {
			continue
		}
		kinds++
		records := []schema.Record{full(k, machine, word, nth)}
		if k.Field("model") != nil {
			r := full(k, "", word, nth)
			*k.Field("model").Pointer(r).(*string) = model
			records = append(records, r)
		}
		for _, r := range records {
			number, err := b.Record(ctx, r)
			require.NoError(t, err, k.Name)
			numbers = append(numbers, number)
			_, err = b.Amend(ctx, number, everyName("misread"), func(k *schema.Kind, r schema.Record) error {
				*k.Field("note").Pointer(r).(*string) += " again"
				return nil
			})
			require.NoError(t, err, k.Name)
		}
		gone := full(k, machine, word, nth+10)
		if f := k.Field("ref"); f != nil {
			*f.Pointer(gone).(*string) += " gone"
		} else if k.Name == "spec" {
			gone.(*schema.Spec).Figure += " gone"
		}
		number, err := b.Record(ctx, gone)
		require.NoError(t, err, k.Name)
		_, err = b.Void(ctx, number, everyName("never was"))
		require.NoError(t, err)
	}
	require.Equal(t, len(schema.Kinds)-4, kinds, "every kind but settings, words, drivers and machines")
	photo, err := os.ReadFile("../../testdata/photo/o1.jpg")
	require.NoError(t, err)
	_, _, err = b.Attach(ctx, numbers[2], []store.File{{Name: "larkin-ada venn-BO.jpg", What: everyName("picture"),
		Content: photo}})
	require.NoError(t, err)
	require.NoError(t, b.Close())
	yard, err := os.ReadFile(book)
	require.NoError(t, err)
	require.Len(t, leaks(yard), 8, "the yard's own book names everybody")

	read := func(path string) []byte {
		data, err := os.ReadFile(path)
		require.NoError(t, err)
		return data
	}
	out := filepath.Join(dir, "R4.book")
	said := shed(t, book, "handover", machine, "--out", out)
	require.Contains(t, said, "read these before you give it away")
	require.Contains(t, said, "a driver is called the same: serial")
	handed := read(out)
	for _, stays := range []string{"R4", "text of make", "text of value", "text of figures", "text of work", "picture",
		"ground", "never was"} {
		require.True(t, bytes.Contains(handed, []byte(stays)), stays)
	}
	require.Empty(t, leaks(handed))
	require.NoError(t, os.Mkdir(filepath.Join(dir, "out"), 0o700))
	for _, from := range []string{book, out} {
		name := machine
		if from == out {
			b, err := store.View(ctx, out)
			require.NoError(t, err)
			known, err := b.Known(ctx)
			require.NoError(t, err)
			require.NoError(t, b.Close())
			name = known.Machines[0]
			require.Contains(t, shed(t, out, "verify"), "sound")
		}
		for _, ext := range []string{"html", "json", "csv", "txt"} {
			paper := filepath.Join(dir, "out", "paper."+ext)
			shed(t, from, "history", name, "--out", paper)
			data := read(paper)
			require.Empty(t, leaks(data), "%s %s", from, ext)
			require.True(t, bytes.Contains(data, []byte("text of work")), ext)
			if ext == "html" {
				require.True(t, bytes.Contains(data, []byte("picture")), "the caption")
			}
			if ext != "csv" {
				require.Contains(t, shed(t, book, "history", machine, "--verify", paper), "The paper matches the book")
			}
		}
	}
}

// A name much like another's is said and, where somebody types, asked about.
func TestNearTwinsAreDoubted(t *testing.T) {
	book := filepath.Join(t.TempDir(), "yard.db")
	shed(t, book, "driver", "add", "Ada Venn")
	add := func(terminal bool, answer string, args ...string) (int, string) {
		var out bytes.Buffer
		a := &app{in: strings.NewReader(answer), out: &out, errOut: &out,
			now: time.Date(2026, 3, 20, 12, 0, 0, 0, time.UTC), width: 80, inTerminal: terminal,
			getenv: func(string) string { return "" }}
		return run(context.Background(), a, append([]string{"--book", book}, args...)), out.String()
	}
	code, out := add(true, "\n", "driver", "add", "Ada Vennn")
	require.Equal(t, exitWords, code)
	require.Contains(t, out, "much like Ada Venn, which is already in the book")
	require.Contains(t, out, "nothing was recorded")
	code, out = add(true, "y\n", "driver", "add", "Ada Vennn")
	require.Zero(t, code, out)
	code, out = add(false, "", "driver", "add", "Vehn Ada")
	require.Zero(t, code, out)
	require.Contains(t, out, "note: driver Vehn Ada looks much like Ada Venn")
	code, out = add(false, "", "driver", "add", "Ada\u00a0 Venn\u200b")
	require.Equal(t, exitWords, code)
	require.Contains(t, out, `driver "Ada Venn" is already in the book`)
	code, out = add(false, "", "driver", "rename", "Vehn Ada", "Ada\u00a0Vehn")
	require.Zero(t, code, out)
	require.Contains(t, out, "is now called Ada Vehn; the history stays")
	require.Contains(t, out, "much like Ada Venn")
	path := filepath.Join(t.TempDir(), "drivers.csv")
	require.NoError(t, os.WriteFile(path, []byte("driver\nAda Venm\nCass Imrie\n"), 0o600))
	code, out = add(false, "", "import", path)
	require.Zero(t, code, out)
	require.Contains(t, out, "note: driver Ada Venm looks much like Ada")
	require.NotContains(t, out, "driver Cass Imrie looks much like")
	code, out = add(false, "", "machine", "add", "R 4")
	require.Zero(t, code, out)
	code, out = add(false, "", "machine", "add", "R-4")
	require.Zero(t, code, out)
	require.Contains(t, out, "machine R-4 looks much like R 4")
	_, out = add(false, "", "machine", "add", "R5")
	require.NotContains(t, out, "much like")
}
