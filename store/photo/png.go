package photo

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
)

// pictureChunks are the chunks that stay: the picture, its colours and the
// shape of its pixels (PNG, W3C 2025, section 11).
var pictureChunks = map[string]bool{
	"IHDR": true, "PLTE": true, "IDAT": true,
	"tRNS": true, "cHRM": true, "gAMA": true, "iCCP": true, "sBIT": true, "sRGB": true,
	"cICP": true, "mDCV": true, "cLLI": true, "bKGD": true, "hIST": true, "pHYs": true, "sPLT": true,
}

// stripPNG walks the chunks (PNG 5.3) and copies the pictureChunks. An
// animation becomes a still picture.
func stripPNG(data []byte) ([]byte, error) {
	out := []byte(pngSignature)
	var rest []byte
	orientation := 1
	picture := false
	for at := len(pngSignature); ; {
		if at+12 > len(data) {
			return nil, errBrokenOff
		}
		length := uint64(binary.BigEndian.Uint32(data[at:]))
		if length > uint64(len(data)-at-12) {
			return nil, errBrokenOff
		}
		end := at + 12 + int(length)
		chunk := data[at:end]
		kind, payload := string(chunk[4:8]), chunk[8:len(chunk)-4]
		if crc32.ChecksumIEEE(chunk[4:len(chunk)-4]) != binary.BigEndian.Uint32(chunk[len(chunk)-4:]) {
			return nil, fmt.Errorf("the chunk %q at byte %d does not match its checksum: copy the file again", kind, at)
		}
		if first := at == len(pngSignature); first != (kind == "IHDR") {
			return nil, fmt.Errorf("the chunk %q at byte %d: IHDR comes first, and once", kind, at)
		}
		at = end
		switch {
		case kind == "IHDR":
			out = append(out, chunk...)
		case kind == "IEND":
			if !picture {
				return nil, errors.New("there is no picture in the file")
			}
			if orientation != 1 {
				out = append(out, pngChunk("eXIf", tiffOrientation(orientation))...)
			}
			out = append(out, rest...)
			return append(out, pngChunk("IEND", nil)...), nil
		case kind == "eXIf":
			if o := orientationOf(payload); o != 0 {
				orientation = o
			}
		case pictureChunks[kind]:
			picture = picture || kind == "IDAT"
			rest = append(rest, chunk...)
		case kind[0]&0x20 == 0: // an upper-case first letter: a chunk without which the picture can't be shown
			return nil, fmt.Errorf("the chunk %q is unknown, and the picture cannot be shown without it", kind)
		}
	}
}

func pngChunk(kind string, payload []byte) []byte {
	c := binary.BigEndian.AppendUint32(nil, uint32(len(payload)))
	c = append(append(c, kind...), payload...)
	return binary.BigEndian.AppendUint32(c, crc32.ChecksumIEEE(c[4:]))
}
