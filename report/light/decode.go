package light

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"io"
	"strconv"
	"strings"
)

// Decode accepts no more bytes and no more pixels than this.
const (
	MaxBytes  = 64 << 20 // 64 MiB
	MaxPixels = 1 << 26  // 67,108,864: above the largest that phones took in 2025
	// maxRoom is the most memory for a photograph while it is decoded and turned,
	// its file included: with it the program stays under 300 MiB.
	maxRoom = 270 << 20
)

// Decode reads a JPEG or a PNG, told apart by content, and turns it the right
// way up: orientation returns that of a file, 1 to 8, as in Exif. The size is
// read first, and a picture of more than MaxPixels, or one that needs more than
// maxRoom, is refused before memory is allocated. format is "jpeg" or "png".
func Decode(r io.Reader, orientation func(data []byte) int) (img image.Image, format string, err error) {
	data, err := io.ReadAll(io.LimitReader(r, MaxBytes+1))
	if err != nil {
		return nil, "", fmt.Errorf("reading the photograph: %w", err)
	}
	if len(data) > MaxBytes {
		return nil, "", fmt.Errorf("the photograph has more than %d bytes (64 MiB): save it smaller", MaxBytes)
	}
	var config func(io.Reader) (image.Config, error)
	var decode func(io.Reader) (image.Image, error)
	switch {
	case bytes.HasPrefix(data, []byte("\xFF\xD8\xFF")):
		format, config, decode = "jpeg", jpeg.DecodeConfig, jpeg.Decode
	case bytes.HasPrefix(data, []byte(pngSignature)):
		format, config, decode = "png", png.DecodeConfig, png.Decode
	default:
		return nil, "",
			errors.New("neither a JPEG nor a PNG by its content (its name does not count): save the photograph " +
				"as one of these")
	}
	size, err := config(bytes.NewReader(data))
	if err != nil {
		return nil, format, fmt.Errorf("%s: %w", format, err)
	}
	if size.Width < 1 || size.Height < 1 {
		return nil, format, fmt.Errorf("%s: the picture is %d x %d pixels: at least 1 x 1", format, size.Width,
			size.Height)
	}
	if int64(size.Width)*int64(size.Height) > MaxPixels {
		return nil, format, fmt.Errorf("%s: the picture is %d x %d pixels: at most %d in all, save it smaller", format,
			size.Width, size.Height, MaxPixels)
	}
	turn := orientation(data)
	if need := int64(len(data)) + room(data, format, size, turn != 1); need > maxRoom {
		return nil, format,
			fmt.Errorf("%s: the picture of %d x %d pixels takes %d MiB of memory to read, at most %d: save "+
				"it smaller",
				format, size.Width, size.Height, need>>20, maxRoom>>20)
	}
	img, err = decode(bytes.NewReader(data))
	if err != nil {
		return nil, format, fmt.Errorf("%s: %w", format, err)
	}
	return upright(img, turn), format, nil
}

// room returns how many bytes a picture takes while it is decoded and, if
// turned is set, turned upright afterwards.
func room(data []byte, format string, size image.Config, turned bool) int64 {
	kept := 4.0 // bytes a pixel, once decoded
	switch size.ColorModel {
	case color.GrayModel:
		kept = 1
	case color.Gray16Model:
		kept = 2
	case color.RGBA64Model, color.NRGBA64Model:
		kept = 8
	default:
		if _, ok := size.ColorModel.(color.Palette); ok {
			kept = 1
		}
	}
	decoding := kept
	if format == "jpeg" {
		samples, progressive := frame(data)
		if decoding = samples; progressive {
			decoding += 4 * samples // coefficients, all of them until the end (T.81 G.1.1)
		}
		if size.ColorModel == color.YCbCrModel {
			kept = samples
		} else if kept == 4 { // assembled from its planes
			decoding += kept
		}
	} else if data[28] == 1 {
		decoding += kept // an interlaced picture's passes (PNG 8.2)
	}
	if turned {
		decoding = max(decoding, kept+4)
	}
	return int64(decoding * float64(size.Width) * float64(size.Height))
}

// frame returns how many samples a JPEG has for each pixel, and whether it is
// progressive: T.81 B.2.2 and table B.1.
func frame(data []byte) (samples float64, progressive bool) {
	samples = 4 // at the most
	segments(data, func(marker byte, p []byte) bool {
		if marker < 0xC0 || marker > 0xC2 || len(p) < 6 || len(p) < 6+3*int(p[5]) {
			return false
		}
		most, sum := [2]int{1, 1}, 0
		for i := range int(p[5]) {
			h, v := int(p[7+3*i]>>4), int(p[7+3*i]&15)
			most, sum = [2]int{max(most[0], h), max(most[1], v)}, sum+h*v
		}
		samples, progressive = float64(sum)/float64(most[0]*most[1]), marker == 0xC2
		return true
	})
	return samples, progressive
}

const pngSignature = "\x89PNG\r\n\x1a\n"

// segments calls each for the segments of a JPEG before its first scan, until
// it returns true.
func segments(data []byte, each func(marker byte, payload []byte) (done bool)) {
	for at := 2; at+4 <= len(data) && data[at] == 0xFF && data[at+1] != 0xDA; {
		if data[at+1] == 0xFF { // a fill byte
			at++
			continue
		}
		end := at + 2 + int(binary.BigEndian.Uint16(data[at+2:]))
		if end > len(data) || end < at+4 || each(data[at+1], data[at+4:end]) {
			return
		}
		at = end
	}
}

// upright turns and mirrors a picture by its Exif orientation: TIFF 6.0, p. 36,
// gives the sides of its row 0 and column 0.
func upright(img image.Image, orientation int) image.Image {
	if orientation == 1 {
		return img
	}
	b, o := img.Bounds(), strconv.Itoa(orientation)
	w, h := b.Dx(), b.Dy()
	turned := image.Rect(0, 0, w, h)
	mirrored, flipped, across := strings.Contains("2378", o), strings.Contains("3467", o), orientation >= 5
	if across {
		turned = image.Rect(0, 0, h, w)
	}
	out := image.NewRGBA(turned)
	line := image.NewRGBA(image.Rect(0, 0, w, 1))
	for y := range h {
		draw.Draw(line, line.Rect, img, image.Pt(b.Min.X, b.Min.Y+y), draw.Src)
		for x := range w {
			u, v := x, y
			if mirrored {
				u = w - 1 - x
			}
			if flipped {
				v = h - 1 - y
			}
			if across {
				u, v = v, u
			}
			to := out.PixOffset(u, v)
			copy(out.Pix[to:to+4], line.Pix[4*x:4*x+4])
		}
	}
	return out
}
