package photo

import (
	"bytes"
	"image"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const samples = "../../testdata/photo" // what they carry, and by what tool: its README.md

func sample(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(samples, name))
	require.NoError(t, err)
	return b
}

// telling are words that the tagging tool wrote into the samples, and the ids
// of the blocks that carry such words.
var telling = []string{"NOBODY", "xpacket", "Photoshop 3.0", "iTXt", "tEXt", "tIME"}

func TestStripLeavesThePictureAlone(t *testing.T) {
	for _, name := range []string{"told.jpg", "progressive.jpg", "told.png", "o1.jpg"} {
		t.Run(name, func(t *testing.T) {
			data := sample(t, name)
			before := bytes.Clone(data)
			out, format, err := StripMetadata(data)
			require.NoError(t, err)
			require.Equal(t, before, data, "the caller's bytes were changed")
			require.Equal(t, format, Sniff(out))
			for _, word := range telling {
				require.NotContains(t, string(out), word)
			}
			require.Equal(t, pixels(t, data), pixels(t, out))

			again, _, err := StripMetadata(out)
			require.NoError(t, err)
			require.Equal(t, out, again, "stripping twice is stripping once")
		})
	}
	// The samples do carry what is looked for above.
	for _, word := range telling[:6] {
		require.Contains(t, string(sample(t, "told.jpg"))+string(sample(t, "told.png")), word)
	}
}

func pixels(t *testing.T, data []byte) image.Image {
	t.Helper()
	m, _, err := image.Decode(bytes.NewReader(data))
	require.NoError(t, err)
	return m
}

var _, _ = jpeg.Decode, png.Decode // register the formats

// The orientation each sample was tagged with: testdata/photo/README.md.
func TestStripKeepsWhichWayUp(t *testing.T) {
	for name, want := range map[string]int{
		"o1.jpg": 1, "o2.jpg": 2, "o3.jpg": 3, "o4.jpg": 4, "o5.jpg": 5, "o6.jpg": 6, "o7.jpg": 7, "o8.jpg": 8,
		"told.jpg": 6, "progressive.jpg": 3, "told.png": 8,
	} {
		require.Equal(t, want, Orientation(sample(t, name)), name)
		out, _, err := StripMetadata(sample(t, name))
		require.NoError(t, err)
		require.Equal(t, want, Orientation(out), name)
		require.Equal(t, want != 1, bytes.Contains(out, exifID) || bytes.Contains(out, []byte("eXIf")), name)
	}
	for _, other := range []string{"", "%PDF-1.7\n", "\xFF\xD8\xFF\xE1\x00\x01", "\xFF\xD8\xFF\xE1\xFF\xFF",
		pngSignature + "\xFF\xFF\xFF\xFFeXIf1234"} {
		require.Equal(t, 1, Orientation([]byte(other)), other)
	}
}

func TestStripKeepsTheColourProfile(t *testing.T) {
	data := sample(t, "told.jpg")
	icc := segment(mAPP2, append(bytes.Clone(iccID), "\x01\x01 a profile"...))
	more := segment(mAPP2, []byte("MPF\x00 a second picture"))
	adobe := segment(mAPPE, []byte("Adobe\x00\x64\x00\x00\x00\x00\x01"))
	in := append([]byte{0xFF, mSOI}, append(append(append(icc, more...), adobe...), data[2:]...)...)
	out, _, err := StripMetadata(in)
	require.NoError(t, err)
	require.Contains(t, string(out), " a profile")
	require.Contains(t, string(out), "Adobe")
	require.NotContains(t, string(out), "second picture")
}

func TestSniff(t *testing.T) {
	require.Equal(t, JPEG, Sniff(sample(t, "told.jpg")))
	require.Equal(t, PNG, Sniff(sample(t, "told.png")))
	require.Equal(t, PDF, Sniff([]byte("%PDF-1.7\n")))
	for _, other := range []string{"", "\xFF\xD8", "GIF89a", "<svg>", "PK\x03\x04", "RIFF1234WEBP", " %PDF-1.7"} {
		require.Empty(t, Sniff([]byte(other)), other)
		_, _, err := StripMetadata([]byte(other))
		require.ErrorIs(t, err, ErrFormat)
	}
}

func TestStripTakesAPaperAsItIs(t *testing.T) {
	in := []byte("%PDF-1.7\n/Author (NOBODY)")
	out, format, err := StripMetadata(in)
	require.NoError(t, err)
	require.Equal(t, PDF, format)
	require.Equal(t, in, out)
}

// A file broken off anywhere is refused, never kept as if it were whole.
func TestStripRefusesWhatIsBrokenOff(t *testing.T) {
	for _, name := range []string{"told.jpg", "progressive.jpg", "told.png"} {
		whole := bytes.TrimSuffix(sample(t, name), []byte("NOBODYTRAILER"))
		for n := range whole {
			_, _, err := StripMetadata(whole[:n])
			require.Error(t, err, "%s: first %d of %d bytes", name, n, len(whole))
		}
	}
}

func TestStripRefuses(t *testing.T) {
	png := sample(t, "told.png")
	flipped := bytes.Clone(png)
	flipped[40] ^= 1
	for name, c := range map[string]struct {
		data []byte
		want string
	}{
		"a wrong checksum":    {flipped, "checksum"},
		"a segment too short": {[]byte{0xFF, mSOI, 0xFF, mAPP0, 0, 1, 0, 0}, "at least 2"},
		"no marker":           {[]byte{0xFF, mSOI, 0xFF, mAPP0, 0, 2, 7}, "where a marker should begin"},
		"nothing but an end":  {[]byte{0xFF, mSOI, 0xFF, mEOI}, "no picture"},
		"no chunk but an end": {append([]byte(pngSignature),
			append(pngChunk("IHDR", make([]byte, 13)), pngChunk("IEND", nil)...)...), "no picture"},
		"chunks out of order": {append([]byte(pngSignature), pngChunk("IEND", nil)...), "IHDR comes first"},
		"an unknown needful chunk": {append([]byte(pngSignature),
			append(pngChunk("IHDR", make([]byte, 13)), pngChunk("ABCD", nil)...)...), "unknown"},
	} {
		_, _, err := StripMetadata(c.data)
		require.ErrorContains(t, err, c.want, name)
		require.False(t, strings.HasSuffix(err.Error(), "."), name)
	}
}

// Whatever comes in: no panic, nothing read past the end; and what is accepted
// is of the same format, no longer than before but for the orientation, clean
// and stable. A picture that could be shown before can be shown after.
func FuzzStripMetadata(f *testing.F) {
	for _, name := range []string{"o1.jpg", "o6.jpg", "told.jpg", "progressive.jpg", "told.png"} {
		f.Add(sample(f, name))
	}
	f.Add([]byte("%PDF-1.7\n"))
	f.Add([]byte{0xFF, mSOI, 0xFF, 0xFF, mSOS, 0, 2, 0xFF, 0, 0xFF, mRST0, 0xFF, mEOI})
	f.Fuzz(func(t *testing.T, data []byte) {
		require.Contains(t, []int{1, 2, 3, 4, 5, 6, 7, 8}, Orientation(data))
		out, format, err := StripMetadata(data)
		if err != nil {
			return
		}
		require.Equal(t, format, Sniff(out))
		require.LessOrEqual(t, len(out), len(data)+48)
		again, _, err := StripMetadata(out)
		require.NoError(t, err)
		require.Equal(t, out, again)
		if format == PDF {
			return
		}
		if cfg, _, err := image.DecodeConfig(bytes.NewReader(data)); err != nil || cfg.Width*cfg.Height > 1<<20 {
			return
		}
		if m, _, err := image.Decode(bytes.NewReader(data)); err == nil {
			n, _, err := image.Decode(bytes.NewReader(out))
			require.NoError(t, err)
			require.Equal(t, m, n)
		}
	})
}
