// Package photo checks the files that may be attached to a record, photographs
// and papers: it tells their format by content, and removes what tells where,
// when and by whom they were made.
package photo

import (
	"bytes"
	"errors"
	"fmt"
)

// The accepted formats.
const (
	JPEG = "jpeg"
	PNG  = "png"
	PDF  = "pdf"
)

// ErrFormat is returned for a file of any other format.
var ErrFormat = errors.New("not a JPEG, PNG or PDF file inside, whatever its name: save it as one of these")

const pngSignature = "\x89PNG\r\n\x1a\n"

// Sniff returns the format of a file by its first bytes: JPEG, PNG or PDF, or
// "" for anything else.
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
// A JPEG keeps its compressed picture, its colour profile, and which way up it
// is; Exif, XMP, IPTC, maker's notes, comments, thumbnails and anything after
// the picture (such as a phone's short film) are removed. A PNG keeps its
// picture, its colour and size chunks, and which way up it is; texts, Exif,
// times and unknown chunks are removed. A PDF is returned unchanged, metadata
// included: a paper is attached for its own words.
//
// data is not changed. The error says what is wrong with the file: another
// format (ErrFormat), cut off, or not built as its standard says.
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
