package main

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shedbook/schema"
	"shedbook/store"
)

// undoWithin is how long a record may be taken back without a reason.
const undoWithin = time.Hour

// A book doesn't say who typed what. So what this user records is noted in his
// own cache, a line a record: its number and when it was entered.

func (a *app) undoFile(b *store.Book) string {
	if a.held != nil { // what a phone records is not this user's to undo
		return ""
	}
	cache, err := os.UserCacheDir()
	if err != nil {
		return ""
	}
	name := sha256.Sum256([]byte(b.Path()))
	return filepath.Join(cache, "shedbook", hex.EncodeToString(name[:8])+".mine")
}

// mine notes a record as this user's. Where it can't be noted it can't be undone,
// only voided.
func (a *app) mine(b *store.Book, m *schema.Meta) {
	file := a.undoFile(b)
	if file == "" || os.MkdirAll(filepath.Dir(file), 0o700) != nil {
		return
	}
	f, err := os.OpenFile(file, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		return
	}
	defer f.Close()
	fmt.Fprintf(f, "%d %s\n", m.Number, m.Entered.UTC().Format(time.RFC3339))
}

// notMine forgets what could be undone, once something else was done that undo
// would not take back.
func (a *app) notMine(b *store.Book) {
	if file := a.undoFile(b); file != "" {
		_ = os.Remove(file)
	}
}

// noted are this user's records of the last hour, oldest first.
func (a *app) noted(file string) (out []schema.Meta) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil
	}
	for line := range strings.Lines(string(text)) {
		number, entered, _ := strings.Cut(strings.TrimSpace(line), " ")
		n, err := strconv.ParseInt(number, 10, 64)
		at, timeErr := time.Parse(time.RFC3339, entered)
		if err == nil && timeErr == nil && !at.Before(a.now.Add(-undoWithin)) {
			out = append(out, schema.Meta{Number: n, Entered: at})
		}
	}
	return out
}

func (a *app) undoVerb() *cobra.Command {
	return &cobra.Command{
		Use: "undo", Short: "take back your last record, within the hour", GroupID: "record",
		Args: args(0, 0, "no words: it takes back your last record"),
		Long: "Voids the last record you made on this computer within the hour; `show` still has it.\nUse it again " +
			"to take back the record before that.",
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				file := a.undoFile(b)
				list := a.noted(file)
				for n := len(list); n > 0; n-- {
					m := list[n-1]
					found, err := b.Show(cmd.Context(), m.Number)
					if err != nil || found.Current == nil || !found.Kind.Meta(found.Current).Entered.Equal(m.Entered) {
						continue // voided already, or another book stands in its place
					}
					if found, err = b.Void(cmd.Context(), m.Number, "taken back by whoever entered it"); err != nil {
						return err
					}
					var left strings.Builder
					for _, m := range list[:n-1] {
						fmt.Fprintf(&left, "%d %s\n", m.Number, m.Entered.UTC().Format(time.RFC3339))
					}
					_ = os.WriteFile(file, []byte(left.String()), 0o600)
					s, err := b.Settings(cmd.Context())
					if err != nil {
						return err
					}
					a.say(0, "took back %s: %s, %s", nameOf(cmd.Context(), b, m.Number), found.Kind.Name,
						describe(found.Kind, found.Current, s))
					return a.sayMade(cmd.Context(), b, found.Current)
				}
				return usage("to take back an older record: shedbook void NUMBER --why REASON",
					"nothing to undo: you made no new record here within the hour")
			})
		},
	}
}
