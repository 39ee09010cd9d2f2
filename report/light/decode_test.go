package light

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"
)

const samples = "../../testdata/photo" // what they are, and who says so: its README.md

func sample(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(samples, name))
	require.NoError(t, err)
	return b
}

var red, green, blue, white = [3]uint8{255, 0, 0}, [3]uint8{0, 255, 0}, [3]uint8{0, 0, 255}, [3]uint8{255, 255, 255}

// Sizes and corner colours as ImageMagick 6.9.11 -auto-orient has them.
func TestDecodeTurnsUpright(t *testing.T) {
	for name, want := range map[string]struct {
		orientation    int // by the samples' README
		w, h           int
		ul, ur, ll, lr [3]uint8
	}{
		"o1.jpg":          {1, 24, 16, red, green, blue, white},
		"o2.jpg":          {2, 24, 16, green, red, white, blue},
		"o3.jpg":          {3, 24, 16, white, blue, green, red},
		"o4.jpg":          {4, 24, 16, blue, white, red, green},
		"o5.jpg":          {5, 16, 24, red, blue, green, white},
		"o6.jpg":          {6, 16, 24, blue, red, white, green},
		"o7.jpg":          {7, 16, 24, white, green, blue, red},
		"o8.jpg":          {8, 16, 24, green, white, red, blue},
		"told.jpg":        {6, 16, 24, blue, red, white, green},
		"progressive.jpg": {3, 24, 16, white, blue, green, red},
		"told.png":        {8, 16, 24, green, white, red, blue},
	} {
		img, format, err := Decode(bytes.NewReader(sample(t, name)), func([]byte) int { return want.orientation })
		require.NoError(t, err, name)
		require.Equal(t, map[string]string{".jpg": "jpeg", ".png": "png"}[filepath.Ext(name)], format)
		require.Equal(t, image.Rect(0, 0, want.w, want.h), img.Bounds(), name)
		for at, c := range map[image.Point][3]uint8{
			{2, 2}: want.ul, {want.w - 3, 2}: want.ur, {2, want.h - 3}: want.ll, {want.w - 3, want.h - 3}: want.lr,
		} {
			got := color.RGBAModel.Convert(img.At(at.X, at.Y)).(color.RGBA)
			for i, v := range [3]uint8{got.R, got.G, got.B} {
				require.InDelta(t, c[i], v, 6, "%s at %v", name, at)
			}
		}
	}
}

// A few bytes that promise a picture of gigabytes are refused by their promise.
func TestDecodeRefusesBeforeMakingRoom(t *testing.T) {
	be := binary.BigEndian
	header := append([]byte("IHDR"), be.AppendUint32(be.AppendUint32(nil, 60000), 60000)...)
	header = append(header, 8, 2, 0, 0, 0)
	bomb := append([]byte(pngSignature), be.AppendUint32(nil, 13)...)
	bomb = be.AppendUint32(append(bomb, header...), crc32.ChecksumIEEE(header))

	var small bytes.Buffer
	require.NoError(t, jpeg.Encode(&small, image.NewGray(image.Rect(0, 0, 8, 8)), nil))
	wide := small.Bytes()
	at := bytes.Index(wide, []byte{0xFF, 0xC0})
	be.PutUint16(wide[at+5:], 65500)
	be.PutUint16(wide[at+7:], 65500)

	for name, data := range map[string][]byte{"png": bomb, "jpeg": wide} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, format, err := Decode(bytes.NewReader(data), asItLies)
		runtime.ReadMemStats(&after)
		require.ErrorContains(t, err, "at most 67108864")
		require.Equal(t, name, format)
		require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(4<<20))
	}

	_, _, err := Decode(io.MultiReader(bytes.NewReader(sample(t, "o1.jpg")), endless{}), asItLies)
	require.ErrorContains(t, err, "more than 67108864 bytes")
	_, _, err = Decode(bytes.NewReader([]byte("%PDF-1.7")), asItLies)
	require.ErrorContains(t, err, "neither a JPEG nor a PNG")
	_, _, err = Decode(bytes.NewReader(sample(t, "o1.jpg")[:200]), asItLies)
	require.ErrorContains(t, err, "jpeg: ")
}

// A few kilobytes whose pixels fit the limit, and whose memory would not: 16 bits
// a channel are 8 bytes a pixel (PNG, W3C 2025, 11.2.1), a progressive JPEG keeps
// its coefficients, 4 bytes each here, beside its samples until the end (T.81 G.1.1).
func TestDecodeRefusesWhatTakesTooMuchMemory(t *testing.T) {
	be := binary.BigEndian
	deep := func(w, h uint32, depth, interlaced byte) []byte {
		header := append([]byte("IHDR"), be.AppendUint32(be.AppendUint32(nil, w), h)...)
		header = append(header, depth, 6, 0, 0, interlaced)
		b := append([]byte(pngSignature), be.AppendUint32(nil, 13)...)
		return be.AppendUint32(append(b, header...), crc32.ChecksumIEEE(header))
	}
	wide := bytes.Clone(sample(t, "progressive.jpg"))
	at := bytes.Index(wide, []byte{0xFF, 0xC2})
	be.PutUint16(wide[at+5:], 8000)
	be.PutUint16(wide[at+7:], 8000)
	for name, data := range map[string][]byte{
		"16 bits": deep(8192, 8192, 16, 0), "in passes": deep(6000, 6000, 8, 1), "progressive": wide,
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, _, err := Decode(bytes.NewReader(data), asItLies)
		runtime.ReadMemStats(&after)
		require.ErrorContains(t, err, "MiB of memory to read, at most 270: save it smaller", name)
		require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(4<<20), name)
	}
	// What phones take passes: 50 million pixels, chroma at a quarter (4:2:0), to be turned.
	var phone bytes.Buffer
	require.NoError(t, jpeg.Encode(&phone, image.NewRGBA(image.Rect(0, 0, 16, 16)), nil))
	config := image.Config{ColorModel: color.YCbCrModel, Width: 8160, Height: 6120}
	require.Less(t, room(phone.Bytes(), "jpeg", config, true), int64(maxRoom))
}

func asItLies([]byte) int { return 1 }

type endless struct{}

func (endless) Read(p []byte) (int, error) { return len(p), nil }

// Whatever comes in: an error or a picture, no panic and no hour's work.
func FuzzDecode(f *testing.F) {
	for _, name := range []string{"o1.jpg", "o6.jpg", "told.jpg", "progressive.jpg", "told.png"} {
		f.Add(sample(f, name))
	}
	var b bytes.Buffer
	require.NoError(f, png.Encode(&b, image.NewGray16(image.Rect(0, 0, 3, 5))))
	f.Add(b.Bytes())
	f.Fuzz(func(t *testing.T, data []byte) {
		if c, _, err := image.DecodeConfig(bytes.NewReader(data)); err == nil && c.Width*c.Height > 1<<20 {
			return // lawful, but slow to try many of
		}
		img, _, err := Decode(bytes.NewReader(data), asItLies)
		if err != nil {
			return
		}
		s := Shrink(img, 20)
		require.LessOrEqual(t, s.Bounds().Dx(), max(20, 1))
		_, _ = Measure(img, nil)
	})
}

// Half black and half white is half the light, which sRGB writes as 188 (IEC
// 61966-2-1: 1.055 x 0.5^(1/2.4) - 0.055 = 0.7354; times 255 = 187.5).
func TestShrinkAveragesLight(t *testing.T) {
	img := image.NewGray(image.Rect(10, 20, 10+12, 20+9)) // stripes of one pixel
	for i := range img.Pix {
		img.Pix[i] = uint8(255 * (i % 2))
	}
	s := Shrink(img, 4)
	require.Equal(t, image.Rect(0, 0, 4, 3), s.Bounds())
	// Three columns a pixel: one or two of them white.
	for x, want := range []float64{1. / 3, 2. / 3, 1. / 3, 2. / 3} {
		r, _, _, _ := s.At(x, 1).RGBA()
		require.InDelta(t, 255*srgb(want), float64(r>>8), 1)
	}
	r, _, _, _ := Shrink(img, 6).At(3, 2).RGBA()
	require.InDelta(t, 188, float64(r>>8), 1)

	require.Equal(t, img, Shrink(img, 12), "no wider: as it is")
	// 7 to 3 columns cuts pixels: the whole light stays the same.
	odd := image.NewGray(image.Rect(0, 0, 7, 7))
	for i := range odd.Pix {
		odd.Pix[i] = uint8(37 * i)
	}
	var sum, small float64
	for _, v := range odd.Pix {
		sum += float64(linear[v]) / 49
	}
	averaged(odd, 3, 3, func(_, _ int, rgb [3]float32) { small += float64(rgb[1]) / 9 })
	require.InDelta(t, sum, small, 1e-6)
}
