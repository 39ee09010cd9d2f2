package store

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// sample is one of the photographs of store/photo's tests: testdata/photo/README.md
// says what they tell of place and people.
func sample(t *testing.T, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("../testdata/photo", name))
	require.NoError(t, err)
	return data
}

func paper(says string) []byte { return []byte("%PDF-1.4\n" + says) }

func TestAttachAndDetach(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	run, err := b.Record(ctx, aRun(noon, 2.5))
	require.NoError(t, err)
	told := sample(t, "told.jpg")
	got, fresh, err := b.Attach(ctx, run, []File{{"yard/../front.jpg", "core from behind", told},
		{"bill.pdf", "", paper("84.50")}})
	require.NoError(t, err)
	require.Equal(t, []bool{true, true}, fresh)
	require.Equal(t, "front.jpg", got[0].Name)
	require.Equal(t, []string{"jpeg", "pdf"}, []string{got[0].Format, got[1].Format})
	require.Equal(t, []int{1, 2}, []int{got[0].Nth, got[1].Nth})

	// What is kept tells neither place nor people, and has its digest.
	kept, err := b.Content(ctx, got[0])
	require.NoError(t, err)
	require.Less(t, len(kept), len(told))
	require.Contains(t, string(told), "NOBODY", "as its README says")
	require.NotContains(t, string(kept), "NOBODY")
	require.EqualValues(t, len(kept), got[0].Bytes)

	// The same file again is not kept twice: not with the record, and for another
	// record only once in the book.
	again, fresh, err := b.Attach(ctx, run, []File{{"other name.jpg", "", told}})
	require.NoError(t, err)
	require.Equal(t, []bool{false}, fresh)
	require.Equal(t, 1, again[0].Nth)
	_, fresh, err = b.Attach(ctx, 1, []File{{"front.jpg", "", told}})
	require.NoError(t, err)
	require.Equal(t, []bool{true}, fresh)
	var files int
	require.NoError(t, b.db.QueryRow("SELECT count(*) FROM files").Scan(&files))
	require.Equal(t, 2, files)

	list, err := b.Attached(ctx, "R4")
	require.NoError(t, err)
	require.Len(t, list, 3, "two with the run and one with the machine")

	// Detached: it stays in the past, with when and why, and can be attached anew.
	_, err = b.Detach(ctx, run, 1, "another machine's")
	require.NoError(t, err)
	_, err = b.Detach(ctx, run, 1, "again")
	require.ErrorContains(t, err, "was detached already")
	all, err := b.Attachments(ctx, run)
	require.NoError(t, err)
	require.Equal(t, "another machine's", all[0].Why)
	require.Equal(t, noon, all[0].Detached)
	list, err = b.Attached(ctx, "R4")
	require.NoError(t, err)
	require.Len(t, list, 2)
	_, err = b.Content(ctx, all[0])
	require.NoError(t, err)
	anew, fresh, err := b.Attach(ctx, run, []File{{"front.jpg", "", told}})
	require.NoError(t, err)
	require.Equal(t, []bool{true}, fresh)
	require.Equal(t, 3, anew[0].Nth, "a number is not given twice")
}

func TestWhatIsNotAttached(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	png := sample(t, "told.png")
	for name, c := range map[string]struct {
		content []byte
		says    string
	}{
		"empty.jpg":  {nil, "is empty"},
		"notes.txt":  {[]byte("the core was full of mud"), "not a JPEG, PNG or PDF file inside"},
		"fake.jpg":   {[]byte("GIF89a...."), "not a JPEG, PNG or PDF file inside"},
		"half.png":   {png[:len(png)/2], "can't be kept"},
		"large.pdf":  {append(paper(""), make([]byte, MaxFile)...), "is larger than 20 MiB"},
		"larger.jpg": {append([]byte{0xff, 0xd8, 0xff}, make([]byte, MaxFile)...), "is larger than 20 MiB"},
	} {
		// With a good file before it: all or none.
		_, _, err := b.Attach(ctx, 1, []File{{"good.pdf", "", paper("x")}, {name, "", c.content}})
		var e *Error
		require.ErrorAs(t, err, &e, name)
		require.Equal(t, Refused, e.Trouble, name)
		require.ErrorContains(t, err, name+" ")
		require.ErrorContains(t, err, c.says)
	}
	_, _, err := b.Attach(ctx, 99, []File{{"good.pdf", "", paper("x")}})
	var e *Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, NotFound, e.Trouble)
	_, err = b.Detach(ctx, 99, 1, "x")
	require.ErrorContains(t, err, "no record 99")
	_, err = b.Detach(ctx, 1, 1, "x")
	require.ErrorContains(t, err, "record 1 has no attachments")
	require.Empty(t, dump(t, b.Path(), "files"))

	// A PDF called .jpg is a PDF; the limit itself is kept.
	got, _, err := b.Attach(ctx, 1, []File{{"scan.jpg", "", paper("x")},
		{"largest.pdf", "", append(paper(""), make([]byte, MaxFile-len(paper("")))...)}})
	require.NoError(t, err)
	require.Equal(t, "pdf", got[0].Format)
	require.EqualValues(t, 20<<20, got[1].Bytes)
	_, err = b.Detach(ctx, 1, 9, "x")
	require.ErrorContains(t, err, "record 1 has no attachment 9")

	run, err := b.Record(ctx, aRun(noon, 1))
	require.NoError(t, err)
	_, err = b.Void(ctx, run, "never happened")
	require.NoError(t, err)
	_, _, err = b.Attach(ctx, run, []File{{"good.pdf", "", paper("x")}})
	require.ErrorContains(t, err, "was voided")
}

// Where there is no more room nothing is attached, and the error says so.
func TestAttachToAFullDisk(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	b.db.SetMaxOpenConns(1)
	_, err := b.db.Exec("PRAGMA max_page_count = 100") // SQLite's own full disk: 400 KiB
	require.NoError(t, err)
	_, _, err = b.Attach(ctx, 1, []File{{"small.pdf", "", paper("x")},
		{"bill.pdf", "", append(paper(""), make([]byte, 1<<20)...)}})
	require.ErrorContains(t, err, "the disk is full: nothing was recorded")
	all, err := b.Attachments(ctx, 1)
	require.NoError(t, err)
	require.Empty(t, all)
	_, err = b.Record(ctx, aRun(noon, 1))
	require.NoError(t, err, "the book goes on")
}

func TestFileNames(t *testing.T) {
	for in, want := range map[string]string{
		"front.jpg": "front.jpg", "/tmp/a/front.jpg": "front.jpg", `C:\photos\front.jpg`: "front.jpg",
		"../../.ssh/keys": "keys", ".hidden.png": "hidden.png", "..": "file", "": "file",
		"a\nb\x1b[2J.png": "a_b_[2J.png", "größe.jpg": "größe.jpg",
	} {
		require.Equal(t, want, fileName(in), in)
	}
	long := fileName(string(bytes.Repeat([]byte("ö"), 200)))
	require.LessOrEqual(t, len(long), 120)
	require.Equal(t, long, string([]rune(long)), "cut between characters")
}

// A hand-written INSERT cannot get round the checks of the attachments either.
func TestHandWrittenAttachments(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	_, _, err := b.Attach(ctx, 1, []File{{"good.pdf", "", paper("x")}})
	require.NoError(t, err)
	sum := "'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa'"
	file := "INSERT INTO files (sha256, format, bytes, content) VALUES "
	attached := "INSERT INTO attachments (record, nth, file, name, what, entered, detached, why) VALUES "
	for name, insert := range map[string]string{
		"a short digest":           file + "('abc', 'pdf', 1, x'00')",
		"a digest in capitals":     file + "('A" + sum[2:] + ", 'pdf', 1, x'00')",
		"another format":           file + "(" + sum + ", 'gif', 1, x'00')",
		"no bytes":                 file + "(" + sum + ", 'pdf', 0, x'')",
		"a wrong size":             file + "(" + sum + ", 'pdf', 2, x'00')",
		"text for bytes":           file + "(" + sum + ", 'pdf', 1, 'x')",
		"a file that is not there": attached + "(1, 2, 99, 'x', NULL, '2026-03-14T12:00:00Z', NULL, NULL)",
		"no name":                  attached + "(1, 2, 1, '', NULL, '2026-03-14T12:00:00Z', NULL, NULL)",
		"the same file twice":      attached + "(1, 2, 1, 'x', NULL, '2026-03-14T12:00:00Z', NULL, NULL)",
		"detached without a why": attached +
			"(1, 2, 1, 'x', NULL, '2026-03-14T12:00:00Z', '2026-03-14T12:00:00Z', NULL)",
		"a why without being so":     attached + "(2, 1, 1, 'x', NULL, '2026-03-14T12:00:00Z', NULL, 'why')",
		"a time in words":            attached + "(2, 1, 1, 'x', NULL, 'today', NULL, NULL)",
		"taking an attached one out": "DELETE FROM files",
	} {
		_, err := b.db.Exec(insert)
		require.Error(t, err, name)
	}
	_, err = b.db.Exec(attached + "(2, 1, 1, 'x', NULL, '2026-03-14T12:00:00Z', NULL, NULL)")
	require.NoError(t, err, "the same insert with nothing wrong goes in")

	// A name that a made-up book holds leads nowhere else.
	_, err = b.db.Exec("UPDATE attachments SET name = '../../../home/ada/.profile' WHERE record = 2")
	require.NoError(t, err)
	all, err := b.Attachments(ctx, 2)
	require.NoError(t, err)
	require.Equal(t, "profile", all[0].Name)
}

// Reading records does not read files: with 57 MB of them in the book, all
// records and the list of attachments take a fiftieth of that from the disk.
func TestReadingRecordsTouchesNoFiles(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	for i := range 3 {
		_, err := b.Record(ctx, aRun(noon.Add(time.Duration(i)*time.Hour), 1))
		require.NoError(t, err)
		_, _, err = b.Attach(ctx, int64(3+i), []File{{"bill.pdf", "",
			append(paper(string(rune('a'+i))), make([]byte, 19<<20)...)}})
		require.NoError(t, err)
	}
	require.NoError(t, b.Close())
	b, err := View(ctx, b.Path())
	require.NoError(t, err)
	defer b.Close()
	start := bytesRead(t)
	_, err = b.Fleet(ctx)
	require.NoError(t, err)
	list, err := b.Attached(ctx, "R4")
	require.NoError(t, err)
	require.Len(t, list, 3)
	_, err = b.List(ctx, schema.KindNamed("run"), Filter{})
	require.NoError(t, err)
	require.Less(t, bytesRead(t)-start, 57<<20/50)
	start = bytesRead(t)
	for _, a := range list {
		_, err := b.Content(ctx, a)
		require.NoError(t, err)
	}
	require.Greater(t, bytesRead(t)-start, 57<<20)
}

// bytesRead is how much this program has read from files so far.
func bytesRead(t *testing.T) int {
	b, err := os.ReadFile("/proc/self/io")
	if err != nil {
		t.Skip("this system does not count what is read: ", err)
	}
	var n int
	_, err = fmt.Sscanf(string(b), "rchar: %d", &n)
	require.NoError(t, err)
	return n
}
