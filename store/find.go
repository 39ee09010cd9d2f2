package store

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"shedbook/schema"
)

// Hit is a record whose texts contain all the words looked for.
type Hit struct {
	Kind   *schema.Kind
	Record schema.Record
}

// Find searches all texts (notes, works, parts, names) of dated and named
// records for words, ignoring case. Newest first; records without a date come
// last.
func (b *Book) Find(ctx context.Context, words ...string) ([]Hit, error) {
	for i := range words {
		words[i] = strings.ToLower(words[i])
	}
	var out []Hit
	err := b.moment(ctx, nil, func(q querier, n *names) error {
		for _, k := range schema.Kinds {
			t := tables()[k]
			if t == nil {
				continue
			}
			var texts []*schema.Field
			var any []string
			for i := range k.Fields {
				if f := &k.Fields[i]; f.Type == schema.TextField {
					texts, any = append(texts, f), append(any, `"`+f.Name+`" IS NOT NULL`)
				}
			}
			if len(texts) == 0 {
				continue
			}
			err := t.query(ctx, q, n, "WHERE "+strings.Join(any, " OR ")+" ORDER BY number", nil,
				func(r schema.Record) error {
					var all strings.Builder
					for _, f := range texts {
						all.WriteString(strings.ToLower(*f.Pointer(r).(*string)) + "\n")
					}
					for _, w := range words {
						if !strings.Contains(all.String(), w) {
							return nil
						}
					}
					out = append(out, Hit{k, r})
					return nil
				})
			if err != nil {
				return err
			}
		}
		return nil
	})
	slices.SortStableFunc(out, func(x, y Hit) int {
		return cmp.Or(y.Kind.When(y.Record).Compare(x.Kind.When(x.Record)),
			cmp.Compare(y.Kind.Meta(y.Record).Number, x.Kind.Meta(x.Record).Number))
	})
	return out, err
}
