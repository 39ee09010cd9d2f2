package light

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/draw"
	"image/jpeg"
	"image/png"
	"io"
)

// What Decode takes in: no more bytes, and no more pixels, than this.
const (
	MaxBytes  = 64 << 20 // 64 MiB
	MaxPixels = 1 << 26  // 67,108,864: above the largest that phones took in 2025; some 0.5 GB while decoding
)

// Decode reads a JPEG or a PNG, told apart by content, and turns it the way up
// that its Exif orientation says. Its size is read first, and a picture of more
// than MaxPixels refused before room is made for it. format is "jpeg" or "png".
func Decode(r io.Reader) (img image.Image, format string, err error) {
	data, err := io.ReadAll(io.LimitReader(r, MaxBytes+1))
	if err != nil {
		return nil, "", fmt.Errorf("reading the photograph: %w", err)
	}
	if len(data) > MaxBytes {
		return nil, "", fmt.Errorf("the photograph has more than %d bytes (64 MiB): save it smaller", MaxBytes)
	}
	var config func(io.Reader) (image.Config, error)
	var decode func(io.Reader) (image.Image, error)
	var exif []byte
	switch {
	case bytes.HasPrefix(data, []byte("\xFF\xD8\xFF")):
		format, config, decode, exif = "jpeg", jpeg.DecodeConfig, jpeg.Decode, jpegExif(data)
	case bytes.HasPrefix(data, []byte(pngSignature)):
		format, config, decode, exif = "png", png.DecodeConfig, png.Decode, pngExif(data)
	default:
		return nil, "", errors.New("neither a JPEG nor a PNG by its content (its name does not count): save the photograph as one of these")
	}
	size, err := config(bytes.NewReader(data))
	if err != nil {
		return nil, format, fmt.Errorf("%s: %w", format, err)
	}
	if size.Width < 1 || size.Height < 1 {
		return nil, format, fmt.Errorf("%s: the picture is %d x %d pixels: at least 1 x 1", format, size.Width, size.Height)
	}
	if int64(size.Width)*int64(size.Height) > MaxPixels {
		return nil, format, fmt.Errorf("%s: the picture is %d x %d pixels: at most %d in all, save it smaller", format, size.Width, size.Height, MaxPixels)
	}
	img, err = decode(bytes.NewReader(data))
	if err != nil {
		return nil, format, fmt.Errorf("%s: %w", format, err)
	}
	return upright(img, orientationOf(exif)), format, nil
}

// The book strips photographs with an Exif reader of its own, and this package
// may not import the book's: two short readers of one tag rather than a third
// package between them.

const pngSignature = "\x89PNG\r\n\x1a\n"

// jpegExif is the Exif block of a JPEG, nil where there is none: APP1 before the
// first scan, CIPA DC-008 (Exif 2.32) 4.5.4.
func jpegExif(data []byte) []byte {
	for at := 2; at+4 <= len(data) && data[at] == 0xFF && data[at+1] != 0xDA; {
		if data[at+1] == 0xFF { // a fill byte
			at++
			continue
		}
		end := at + 2 + int(binary.BigEndian.Uint16(data[at+2:]))
		if end > len(data) || end < at+4 {
			return nil
		}
		if exif, ok := bytes.CutPrefix(data[at+4:end], []byte("Exif\x00\x00")); ok && data[at+1] == 0xE1 {
			return exif
		}
		at = end
	}
	return nil
}

// pngExif is the eXIf chunk of a PNG (W3C 2025, 11.3.4.5), nil where there is none.
func pngExif(data []byte) []byte {
	for at := len(pngSignature); at+12 <= len(data); {
		length := uint64(binary.BigEndian.Uint32(data[at:]))
		if length > uint64(len(data)-at-12) {
			return nil
		}
		if string(data[at+4:at+8]) == "eXIf" {
			return data[at+8 : at+8+int(length)]
		}
		at += 12 + int(length)
	}
	return nil
}

// orientationOf is the tag 0x0112 of the first directory, 1 to 8; 1 where it is
// not told. TIFF 6.0 (1992) section 2 and p. 36.
func orientationOf(tiff []byte) int {
	if len(tiff) < 8 {
		return 1
	}
	var order binary.ByteOrder = binary.BigEndian
	if string(tiff[:2]) == "II" {
		order = binary.LittleEndian
	}
	at := uint64(order.Uint32(tiff[4:]))
	if at+2 > uint64(len(tiff)) {
		return 1
	}
	for range order.Uint16(tiff[at:]) {
		if at+14 > uint64(len(tiff)) {
			return 1
		}
		entry := tiff[at+2:]
		if o := int(order.Uint16(entry[8:])); order.Uint16(entry) == 0x0112 && order.Uint16(entry[2:]) == 3 && o >= 1 && o <= 8 {
			return o
		}
		at += 12
	}
	return 1
}

// upright turns and mirrors a picture by its Exif orientation: row 0 and column
// 0 as stored lie at the sides that TIFF 6.0, p. 36, names.
func upright(img image.Image, orientation int) image.Image {
	if orientation == 1 {
		return img
	}
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	turned := image.Rect(0, 0, w, h)
	if orientation >= 5 {
		turned = image.Rect(0, 0, h, w)
	}
	out := image.NewRGBA(turned)
	line := image.NewRGBA(image.Rect(0, 0, w, 1))
	for y := range h {
		draw.Draw(line, line.Rect, img, image.Pt(b.Min.X, b.Min.Y+y), draw.Src)
		for x := range w {
			var to int
			switch orientation {
			case 2:
				to = out.PixOffset(w-1-x, y)
			case 3:
				to = out.PixOffset(w-1-x, h-1-y)
			case 4:
				to = out.PixOffset(x, h-1-y)
			case 5:
				to = out.PixOffset(y, x)
			case 6:
				to = out.PixOffset(h-1-y, x)
			case 7:
				to = out.PixOffset(h-1-y, w-1-x)
			case 8:
				to = out.PixOffset(y, w-1-x)
			}
			copy(out.Pix[to:to+4], line.Pix[4*x:4*x+4])
		}
	}
	return out
}
