package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
)

// Second bytes of JPEG markers, ITU-T T.81 (1992) table B.1.
const (
	mTEM  = 0x01
	mSOF0 = 0xC0
	mRST0 = 0xD0
	mRST7 = 0xD7
	mSOI  = 0xD8
	mEOI  = 0xD9
	mSOS  = 0xDA
	mAPP0 = 0xE0
	mAPP1 = 0xE1
	mAPP2 = 0xE2
	mAPPE = 0xEE
)

var (
	exifID = []byte("Exif\x00\x00")
	jfifID = []byte("JFIF\x00")
	iccID  = []byte("ICC_PROFILE\x00")
	adobe  = []byte("Adobe")
)

// stripJPEG walks the segments (T.81 B.1.1) and copies those that the picture
// needs. It lists what stays, so that unknown segments are dropped.
func stripJPEG(data []byte) ([]byte, error) {
	var head, body []byte // JFIF must come first (JFIF 1.02), then our Exif block, then the rest
	orientation := 1
	scanned := false
	for at := 2; ; {
		marker, next, err := nextMarker(data, at)
		if err != nil {
			return nil, err
		}
		at = next
		switch {
		case marker == mEOI && !scanned:
			return nil, errors.New("there is no picture in the file")
		case marker == mEOI:
			out := append([]byte{0xFF, mSOI}, head...)
			if orientation != 1 {
				exif := append(bytes.Clone(exifID), tiffOrientation(orientation)...)
				out = append(out, segment(mAPP1, exif)...)
			}
			out = append(out, body...)
			return append(out, 0xFF, mEOI), nil // anything that follows is dropped
		case marker == mTEM, marker >= mRST0 && marker <= mSOI:
			return nil, fmt.Errorf("marker FF%02X at byte %d, where a segment should begin", marker, at-2)
		}

		if at+2 > len(data) {
			return nil, errBrokenOff
		}
		length := int(binary.BigEndian.Uint16(data[at:]))
		if length < 2 {
			return nil, fmt.Errorf("a segment of length %d at byte %d: at least 2", length, at)
		}
		if at+length > len(data) {
			return nil, errBrokenOff
		}
		payload := data[at+2 : at+length]
		at += length

		switch {
		case marker == mAPP0 && bytes.HasPrefix(payload, jfifID) && len(payload) >= 14:
			plain := bytes.Clone(payload[:14])
			plain[12], plain[13] = 0, 0 // no thumbnail
			head = segment(mAPP0, plain)
		case marker == mAPP1 && bytes.HasPrefix(payload, exifID):
			if o := orientationOf(payload[len(exifID):]); o != 0 {
				orientation = o
			}
		case marker == mAPP2 && bytes.HasPrefix(payload, iccID),
			marker == mAPPE && bytes.HasPrefix(payload, adobe), // tells how the colours are coded
			marker >= mSOF0 && marker < mRST0,                  // frames and their codes
			marker >= mSOS && marker < mAPP0:                   // scans, tables, restarts
			body = append(body, segment(marker, payload)...)
		}
		if marker == mSOS {
			scanned = true
			end, err := scanEnd(data, at)
			if err != nil {
				return nil, err
			}
			body = append(body, data[at:end]...)
			at = end
		}
	}
}

var errBrokenOff = errors.New("the file is cut off before the end of the picture: copy it again")

// nextMarker reads the marker at or after fill bytes FF (T.81 B.1.1.2), and
// returns its second byte and where the rest begins.
func nextMarker(data []byte, at int) (marker byte, next int, err error) {
	if at >= len(data) {
		return 0, 0, errBrokenOff
	}
	if data[at] != 0xFF {
		return 0, 0, fmt.Errorf("byte %02X at %d, where a marker should begin", data[at], at)
	}
	for at < len(data) && data[at] == 0xFF {
		at++
	}
	if at >= len(data) {
		return 0, 0, errBrokenOff
	}
	if data[at] == 0 {
		return 0, 0, fmt.Errorf("byte 00 at %d, where a marker should begin", at)
	}
	return data[at], at + 1, nil
}

// scanEnd finds the marker that ends a scan: in compressed data FF is followed
// by 00 or by a restart marker (T.81 B.1.1.5).
func scanEnd(data []byte, at int) (int, error) {
	for ; at+1 < len(data); at++ {
		if data[at] != 0xFF {
			continue
		}
		if m := data[at+1]; m != 0 && m != 0xFF && (m < mRST0 || m > mRST7) {
			return at, nil
		}
	}
	return 0, errBrokenOff
}

func segment(marker byte, payload []byte) []byte {
	s := []byte{0xFF, marker, 0, 0}
	binary.BigEndian.PutUint16(s[2:], uint16(len(payload)+2))
	return append(s, payload...)
}
