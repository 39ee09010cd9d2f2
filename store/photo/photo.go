// Package photo looks at the files that a record may carry along, photographs
// and papers, before they are kept: what they are by their content, and without
// what they tell about where, when and by whom they were made.
package photo

import (
	"bytes"
	"errors"
	"fmt"
)

// The formats that are kept.
const (
	JPEG = "jpeg"
	PNG  = "png"
	PDF  = "pdf"
)

// ErrFormat is returned for a file that is none of the formats kept.
var ErrFormat = errors.New("not a JPEG, PNG or PDF file inside, whatever its name: save it as one of these")

const pngSignature = "\x89PNG\r\n\x1a\n"

// Sniff returns the format by the first bytes, whatever the file is called: JPEG,
// PNG or PDF, or "" for anything else.
//
// Sources: ITU-T T.81 (1992) B.1.1.3 (SOI, then a marker); PNG (W3C, 2025) 5.2;
// ISO 32000-1 (2008) 7.5.2.
func Sniff(data []byte) string {
	switch {
	case bytes.HasPrefix(data, []byte{0xFF, mSOI, 0xFF}):
		return JPEG
	case bytes.HasPrefix(data, []byte(pngSignature)):
		return PNG
	case bytes.HasPrefix(data, []byte("%PDF-")):
		return PDF
	}
	return ""
}

// StripMetadata returns the file without what tells of place, time, device and
// people, and its format.
//
// Of a JPEG stay the picture as it is compressed, its colour profile, and which
// way up it is; Exif, XMP, IPTC, maker's notes, comments, thumbnails and
// whatever follows the picture (a phone's moving picture, say) go. Of a PNG stay
// the picture, its colour and size chunks, and which way up it is; texts, Exif,
// times and unknown chunks go. A PDF is returned as it is, with all that it
// tells: a paper's own words are what it is kept for.
//
// data is not changed. An error says what is wrong with the file: another
// format (ErrFormat), broken off, or not built as its standard says.
func StripMetadata(data []byte) ([]byte, string, error) {
	format := Sniff(data)
	var out []byte
	var err error
	switch format {
	case JPEG:
		out, err = stripJPEG(data)
	case PNG:
		out, err = stripPNG(data)
	case PDF:
		out = bytes.Clone(data)
	default:
		return nil, "", ErrFormat
	}
	if err != nil {
		return nil, format, fmt.Errorf("%s: %w", format, err)
	}
	return out, format, nil
}
