package sheet

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// yard makes a sheet of n runs as a hire chain's would be, and what its book knows.
func yard(n int) ([]byte, *schema.Known) {
	rng := rand.New(rand.NewPCG(1, 2))
	var machines, drivers []string
	for i := range 1000 {
		machines = append(machines, fmt.Sprintf("M%04d", i))
	}
	for i := range 300 {
		drivers = append(drivers, fmt.Sprintf("Driver %03d", i))
	}
	known := schema.NewKnown(machines, drivers, nil, time.FixedZone("UTC+02:00", 7200))
	pick := func(vocabulary string) string {
		w := schema.Words(vocabulary)
		return w[rng.IntN(len(w))]
	}
	var b bytes.Buffer
	b.WriteString("ref,machine,driver,start,hours,meter_out_h,meter_in_h,terrain,speed,range,load,ambient_c,note\n")
	at := time.Date(2015, 1, 1, 8, 0, 0, 0, known.Zone)
	for i := range n {
		h := float64(1+rng.IntN(50)) / 10
		out := float64(rng.IntN(100000)) / 10
		fmt.Fprintf(&b, "run-%07d,%s,%s,%s,%.1f,%.1f,%.1f,%s,%s,%s,%s,%d,\n", i, machines[rng.IntN(1000)],
			drivers[rng.IntN(300)],
			at.Add(time.Duration(i)*5*time.Minute).Format(time.RFC3339), h, out, out+h, pick("terrain"), pick("speed"),
			pick("range"), pick("load"), rng.IntN(50)-10)
	}
	return b.Bytes(), known
}

func BenchmarkRead(b *testing.B) {
	const n = 100_000
	text, known := yard(n)
	b.Run("scan", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			s := newScanner(bytes.NewReader(text))
			for {
				if _, _, err := s.next(); err == io.EOF {
					break
				}
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/row")
	})
	b.Run("records", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			r, err := NewReader(bytes.NewReader(text), "runs.csv", schema.KindNamed("runs"))
			require.NoError(b, err)
			rows := 0
			for {
				row, err := r.Next()
				if err == io.EOF {
					break
				}
				rec, wrong := r.Record(row, known)
				if rec == nil {
					b.Fatal(wrong)
				}
				rows++
			}
			require.Equal(b, n, rows)
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/row")
	})
}

func BenchmarkWrite(b *testing.B) {
	const n = 10_000
	text, known := yard(n)
	kind := schema.KindNamed("runs")
	r, err := NewReader(bytes.NewReader(text), "runs.csv", kind)
	require.NoError(b, err)
	var records []schema.Record
	for {
		row, err := r.Next()
		if err == io.EOF {
			break
		}
		rec, _ := r.Record(row, known)
		records = append(records, rec)
	}
	b.ReportAllocs()
	for b.Loop() {
		w := NewWriter(io.Discard, kind, known.Zone)
		for _, rec := range records {
			w.Write(rec)
		}
		require.NoError(b, w.Flush())
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/row")
}

func BenchmarkTab(b *testing.B) {
	const n = 20_000
	text, known := yard(n)
	kind := schema.KindNamed("runs")
	r, err := NewReader(bytes.NewReader(text), "runs.csv", kind)
	require.NoError(b, err)
	var out bytes.Buffer
	w, err := NewWorkbookWriter(&out, []*schema.Kind{kind}, known)
	require.NoError(b, err)
	for range n {
		row, err := r.Next()
		require.NoError(b, err)
		rec, _ := r.Record(row, known)
		require.NoError(b, w.Write(rec))
	}
	require.NoError(b, w.Close())
	b.ReportAllocs()
	for b.Loop() {
		book, err := NewWorkbook(bytes.NewReader(out.Bytes()), int64(out.Len()), "book.xlsx")
		require.NoError(b, err)
		r, err := NewReader(tabOf(b, book, "runs"), "book.xlsx", kind)
		require.NoError(b, err)
		rows := 0
		for {
			row, err := r.Next()
			if err == io.EOF {
				break
			}
			rec, wrong := r.Record(row, known)
			if rec == nil {
				b.Fatal(wrong)
			}
			rows++
		}
		require.Equal(b, n, rows)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/row")
}
