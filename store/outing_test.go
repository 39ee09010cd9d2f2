package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// A machine comes back with all that makes, or not at all.
func TestComesBackWholeOrNotAtAll(t *testing.T) {
	ctx := context.Background()
	b := newBook(t)
	stock(t, b)
	at := clock().Add(-8 * time.Hour)
	outing := &schema.Outing{Base: schema.Base{Machine: "R4", At: at}, Driver: "Ada", MeterOut: schema.N(100)}
	number, err := b.Record(ctx, outing)
	require.NoError(t, err)
	back := func(_ *schema.Kind, r schema.Record) error {
		o := r.(*schema.Outing)
		o.Back, o.MeterBack = at.Add(time.Hour), schema.N(101)
		return nil
	}
	run := aRun(at, 1)
	run.Ref = "its own"
	bad := aRun(at, 0)
	bad.Hours = schema.Num{}
	_, err = b.AmendWith(ctx, number, "it came back", back,
		func(schema.Record) []schema.Record { return []schema.Record{run, bad} })
	require.Error(t, err)
	found, err := b.Show(ctx, number)
	require.NoError(t, err)
	require.True(t, found.Current.(*schema.Outing).Back.IsZero())
	require.Empty(t, found.Past)
	k := schema.KindNamed("run")
	r, err := b.ByRef(ctx, k, "its own")
	require.NoError(t, err)
	require.Nil(t, r)

	_, err = b.AmendWith(ctx, number, "it came back", back, func(o schema.Record) []schema.Record {
		require.Equal(t, schema.N(101), o.(*schema.Outing).MeterBack, "made of what it is now")
		return []schema.Record{run}
	})
	require.NoError(t, err)
	found, err = b.Show(ctx, number)
	require.NoError(t, err)
	require.Equal(t, at.Add(time.Hour), found.Current.(*schema.Outing).Back)
	require.Len(t, found.Past, 1)
	r, err = b.ByRef(ctx, k, "its own")
	require.NoError(t, err)
	require.Equal(t, run.Number, k.Meta(r).Number)
}
