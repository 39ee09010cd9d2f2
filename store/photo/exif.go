package photo

import (
	"bytes"
	"encoding/binary"
)

const tagOrientation = 0x0112

// Orientation returns which way up a JPEG or a PNG is to be shown, 1 to 8 as in
// TIFF 6.0; 1 if the file does not tell.
func Orientation(data []byte) int {
	switch Sniff(data) {
	case JPEG: // APP1 before the first scan, CIPA DC-008 (Exif 2.32) 4.5.4
		for at := 2; ; {
			marker, next, err := nextMarker(data, at)
			if err != nil || marker == mSOS || marker == mEOI || next+2 > len(data) {
				return 1
			}
			if at = next + int(binary.BigEndian.Uint16(data[next:])); at > len(data) || at < next+2 {
				return 1
			}
			if exif, ok := bytes.CutPrefix(data[next+2:at], exifID); ok && marker == mAPP1 {
				return max(1, orientationOf(exif))
			}
		}
	case PNG: // the chunk eXIf, PNG (W3C, 2025) 11.3.4.5
		for at := len(pngSignature); at+12 <= len(data); {
			length := uint64(binary.BigEndian.Uint32(data[at:]))
			if length > uint64(len(data)-at-12) {
				return 1
			}
			if string(data[at+4:at+8]) == "eXIf" {
				return max(1, orientationOf(data[at+8:at+8+int(length)]))
			}
			at += 12 + int(length)
		}
	}
	return 1
}

// orientationOf reads which way up a picture is (1 to 8) out of an Exif block:
// the tag 0x0112 of its first directory, a SHORT. 0 where it is not told.
//
// Source: TIFF 6.0 (1992) section 2, orientation p. 36; CIPA DC-008 (Exif 2.32)
// 4.6.4 A.
func orientationOf(tiff []byte) int {
	if len(tiff) < 8 {
		return 0
	}
	var order binary.ByteOrder
	switch string(tiff[:4]) {
	case "II*\x00":
		order = binary.LittleEndian
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return 0
	}
	at := uint64(order.Uint32(tiff[4:]))
	if at+2 > uint64(len(tiff)) {
		return 0
	}
	n := uint64(order.Uint16(tiff[at:]))
	for i := range n {
		e := at + 2 + 12*i
		if e+12 > uint64(len(tiff)) {
			return 0
		}
		entry := tiff[e:]
		if order.Uint16(entry) != tagOrientation || order.Uint16(entry[2:]) != 3 {
			continue
		}
		if o := int(order.Uint16(entry[8:])); o >= 1 && o <= 8 {
			return o
		}
		return 0
	}
	return 0
}

// tiffOrientation returns the smallest Exif block that tells which way up a
// picture is: header, a directory of one entry, no next directory.
func tiffOrientation(orientation int) []byte {
	be := binary.BigEndian
	b := []byte("MM\x00*")
	b = be.AppendUint32(b, 8)
	b = be.AppendUint16(b, 1)
	b = be.AppendUint16(b, tagOrientation)
	b = be.AppendUint16(b, 3) // SHORT
	b = be.AppendUint32(b, 1)
	b = be.AppendUint16(b, uint16(orientation))
	b = be.AppendUint16(b, 0)
	return be.AppendUint32(b, 0)
}
