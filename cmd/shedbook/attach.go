package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shedbook/report/render"
	"shedbook/schema/unit"
	"shedbook/store"
)

func (a *app) attachVerb() *cobra.Command {
	var what string
	c := &cobra.Command{
		Use: "attach NUMBER FILE...", Short: "add photographs and papers to a record", GroupID: "record",
		Args: args(2, -1, "a record's number and one or more files"),
		Long: fmt.Sprintf(`Puts files into the book, with the record of that number: JPEG and PNG pictures
and PDF papers, at most %d MiB each. The content counts, not the file's name.
Place, time, camera and people are removed from a photograph's data before it is
stored; a PDF is kept as it is. If one file is refused, none is attached.`, store.MaxFile>>20),
		RunE: func(cmd *cobra.Command, given []string) error {
			if err := recordWord(given[0]); err != nil {
				return err
			}
			var list []store.File
			for _, path := range given[1:] {
				content, err := readFile(path)
				if err != nil {
					return err
				}
				list = append(list, store.File{Name: filepath.Base(path), What: what, Content: content})
			}
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				number, err := a.recordNumber(cmd.Context(), b, given[0])
				if err != nil {
					return err
				}
				done, fresh, err := b.Attach(cmd.Context(), number, list)
				if err != nil {
					return err
				}
				for i, t := range done {
					how := "attached to"
					if !fresh[i] {
						how = "is already attached to"
					}
					fmt.Fprintf(a.out, "%s %s record %d as %d (%s)\n", render.Safe(list[i].Name), how, number, t.Nth,
						fileWords(t))
				}
				return nil
			})
		},
	}
	c.Flags().StringVar(&what, "what", "", `what the files show, such as "core from behind"`)
	return c
}

// readFile reads a file that may be attached; of a larger one no more than
// tells that it is too large.
func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, store.MaxFile+1))
}

// fileWords are an attachment's format and size.
func fileWords(t store.Attachment) string {
	size := fmt.Sprintf("%d bytes", t.Bytes)
	if t.Bytes >= 10_000 {
		size = fmt.Sprintf("%d kB", (t.Bytes+500)/1000)
	}
	return strings.ToUpper(t.Format) + ", " + size
}

func (a *app) detachVerb() *cobra.Command {
	var why string
	c := &cobra.Command{
		Use: "detach NUMBER ATTACHMENT --why REASON", Short: "remove a file from a record; the book still keeps it",
		GroupID: "record", Args: args(2, 2, "a record's number and the attachment's (see shedbook show)"),
		RunE: func(cmd *cobra.Command, given []string) error {
			if err := recordWord(given[0]); err != nil {
				return err
			}
			nth, err := nthArg(given[1])
			if err != nil {
				return err
			}
			if strings.TrimSpace(why) == "" {
				return usage("for instance --why 'of another machine'", "--why is missing: say why you detach it")
			}
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				number, err := a.recordNumber(cmd.Context(), b, given[0])
				if err != nil {
					return err
				}
				t, err := b.Detach(cmd.Context(), number, nth, strings.TrimSpace(why))
				if err == nil {
					fmt.Fprintf(a.out, "detached %s from record %d\n", render.Safe(t.Name), number)
				}
				return err
			})
		},
	}
	c.Flags().StringVar(&why, "why", "", "why you detach it")
	return c
}

// nthArg reads the number of an attachment.
func nthArg(s string) (int, error) {
	n, err := strconv.Atoi(strings.TrimPrefix(s, "#"))
	if err != nil || n < 1 {
		return 0, usage("shedbook show NUMBER lists a record's attachments as 1, 2, ...",
			"%q is not the number of an attachment", s)
	}
	return n, nil
}

func (a *app) photoVerb() *cobra.Command {
	var out string
	c := &cobra.Command{
		Use: "photo NUMBER [ATTACHMENT...] --out DIR", Short: "save a record's photographs and papers to a directory",
		GroupID: "look", Args: args(1, -1, "a record's number"),
		Long: "Saves everything attached to a record to a directory, or only the attachments you\nnumber (a detached " +
			"one too). It never replaces a file.",
		RunE: func(cmd *cobra.Command, given []string) error {
			if err := recordWord(given[0]); err != nil {
				return err
			}
			wanted := map[int]bool{}
			for _, s := range given[1:] {
				nth, err := nthArg(s)
				if err != nil {
					return err
				}
				wanted[nth] = true
			}
			if out == "" {
				return usage("for instance --out photos", "--out is missing: name the directory to write to")
			}
			return a.view(cmd.Context(), func(b *store.Book) error {
				number, err := a.recordNumber(cmd.Context(), b, given[0])
				if err != nil {
					return err
				}
				return a.writePhotos(cmd.Context(), b, number, wanted, out)
			})
		},
	}
	c.Flags().StringVar(&out, "out", "", "the directory; made if it is not there")
	return c
}

func (a *app) writePhotos(ctx context.Context, b *store.Book, number int64, wanted map[int]bool, dir string) error {
	if _, err := b.Show(ctx, number); err != nil {
		return err
	}
	all, err := b.Attachments(ctx, number)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	named, written := len(wanted) > 0, 0
	for _, t := range all {
		if named && !wanted[t.Nth] || !named && !t.Detached.IsZero() {
			continue
		}
		delete(wanted, t.Nth)
		content, err := b.Content(ctx, t)
		if err != nil {
			return err
		}
		path := filepath.Join(dir, photoName(t))
		f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
		if errors.Is(err, fs.ErrExist) {
			if was, err := os.ReadFile(path); err != nil || !bytes.Equal(was, content) {
				return usage("name another directory, or move the file away", "%s already exists and is another file",
					path)
			}
		} else if err != nil {
			return err
		} else {
			_, err = f.Write(content)
			if err = errors.Join(err, f.Close()); err != nil {
				os.Remove(path)
				return err
			}
		}
		fmt.Fprintln(a.out, path)
		written++
	}
	for _, nth := range slices.Sorted(maps.Keys(wanted)) {
		return &store.Error{Trouble: store.NotFound, Says: fmt.Sprintf("record %d has no attachment %d", number, nth),
			Hint: fmt.Sprintf("shedbook show %d lists them", number)}
	}
	if written == 0 {
		fmt.Fprintf(a.out, "Nothing is attached to record %d.\n", number)
	}
	return nil
}

// photoName is the file's name with the record's and the attachment's number
// before it, so that no two are alike, and the ending of what it is.
func photoName(t store.Attachment) string {
	ext := map[string]string{"jpeg": ".jpg", "png": ".png", "pdf": ".pdf"}[t.Format]
	name := t.Name
	if !strings.EqualFold(filepath.Ext(name), ext) && !(ext == ".jpg" &&
		strings.EqualFold(filepath.Ext(name), ".jpeg")) {
		name += ext
	}
	return fmt.Sprintf("%d-%d-%s", t.Record, t.Nth, name)
}

// attachmentLines are a record's attachments as `show` lists them.
func attachmentLines(all []store.Attachment, zone *time.Location) []string {
	var out []string
	for _, t := range all {
		s := fmt.Sprintf("attachment %d   %s (%s)", t.Nth, render.Safe(t.Name), fileWords(t))
		if t.What != "" {
			s += ": " + render.Safe(t.What)
		}
		if !t.Detached.IsZero() {
			s += ", detached " + unit.FormatTime(t.Detached, zone) + ": " + render.Safe(t.Why)
		}
		out = append(out, s)
	}
	return out
}

// attachmentJSON is an attachment as `show --json` has it.
type attachmentJSON struct {
	Number   int     `json:"number"`
	Name     string  `json:"name"`
	What     *string `json:"what"`
	Format   string  `json:"format"`
	Bytes    int64   `json:"bytes"`
	SHA256   string  `json:"sha256"`
	Entered  string  `json:"entered"`
	Detached *string `json:"detached"`
	Why      *string `json:"why"`
}

func attachmentsJSON(all []store.Attachment, zone *time.Location) []attachmentJSON {
	text := func(s string) *string {
		if s == "" {
			return nil
		}
		return &s
	}
	out := []attachmentJSON{}
	for _, t := range all {
		j := attachmentJSON{Number: t.Nth, Name: t.Name, What: text(t.What), Format: t.Format, Bytes: t.Bytes,
			SHA256:  t.SHA256,
			Entered: t.Entered.In(zone).Format(time.RFC3339), Why: text(t.Why)}
		if !t.Detached.IsZero() {
			j.Detached = text(t.Detached.In(zone).Format(time.RFC3339))
		}
		out = append(out, j)
	}
	return out
}
