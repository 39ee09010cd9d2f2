package store

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"hash/crc32"
	"math"
	"math/bits"
	"time"

	"shedbook/schema"
)

// A pack is a machine's records of one kind in a few bytes each, so that a
// fleet's are read as fast as they can be taken in (see packs.go). It is made
// of
//
//	the Castagnoli CRC-32 of what follows, little-endian
//	when the first record was entered, in seconds since 1970: varint
//	the records, one after another
//
// and a record of
//
//	the length of its content: uvarint
//	its content: which fields are known, the first by the lowest bit, a uvarint;
//	  then those, in the order of the kind's description
//	its number: uvarint
//	when it was entered, less the above: varint
//	its earlier versions: uvarint
//	its values as typed, as JSON: text ("" for none)
//
// Text is its length, a uvarint, and its bytes; a time is seconds since 1970,
// a varint; a machine, driver or word is its number in the book, the word's
// less the first of its vocabulary, and a list of words its bits: uvarints; a
// number is a uvarint u: if u is even, the varint of u/2 in thousandths, else
// u = 1 and the eight bytes of its IEEE 754 form follow.
//
// Two records say the same exactly if their contents are the same.

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

const packHead = 4

// beginPack starts a pack; entered is when its first record was entered.
func beginPack(entered int64) []byte {
	return binary.AppendVarint(make([]byte, packHead, 64), entered)
}

// sealPack writes the checksum of a finished pack.
func sealPack(b []byte) []byte {
	binary.LittleEndian.PutUint32(b, crc32.Checksum(b[packHead:], castagnoli))
	return b
}

// appendRecord appends a record to a pack begun with entered: its content, then
// its number, time of entry, versions and typed values.
func appendRecord(b, content []byte, m *schema.Meta, entered int64) ([]byte, error) {
	b = binary.AppendUvarint(b, uint64(len(content)))
	b = append(b, content...)
	b = binary.AppendUvarint(b, uint64(m.Number))
	b = binary.AppendVarint(b, m.Entered.Unix()-entered)
	b = binary.AppendUvarint(b, uint64(m.Versions))
	if len(m.Typed) == 0 {
		return append(b, 0), nil
	}
	typed, err := json.Marshal(m.Typed)
	b = binary.AppendUvarint(b, uint64(len(typed)))
	return append(b, typed...), err
}

// appendContent appends a record's content; values are its fields as the table
// holds them.
func (t *table) appendContent(b []byte, r schema.Record, values []any) []byte {
	known := uint64(0)
	for i, v := range values {
		if v != nil {
			known |= 1 << i
		}
	}
	b = binary.AppendUvarint(b, known)
	for i, v := range values {
		switch v := v.(type) {
		case int64:
			b = binary.AppendUvarint(b, uint64(v-t.low[i]))
		case float64:
			if n := int64(math.Round(v * 1000)); math.Abs(v) < 1e12 && float64(n)/1000 == v {
				b = binary.AppendUvarint(b, uint64(n<<1^n>>63)<<1)
			} else {
				b = binary.LittleEndian.AppendUint64(append(b, 1), math.Float64bits(v))
			}
		case string:
			f := &t.kind.Fields[i]
			if f.Type == schema.TimeField {
				b = binary.AppendVarint(b, f.Pointer(r).(*time.Time).Unix())
				continue
			}
			b = binary.AppendUvarint(b, uint64(len(v)))
			b = append(b, v...)
		}
	}
	return b
}

// encoded returns a record's content.
func (t *table) encoded(r schema.Record, n *names) ([]byte, error) {
	values, err := t.appendFields(nil, r, n)
	return t.appendContent(nil, r, values), err
}

var errBadPack = errors.New("a pack of records is not as it was written")

// openPack checks a pack's checksum, and returns when its first record was
// entered and where that record begins.
func openPack(b []byte) (entered int64, at int, err error) {
	if len(b) < packHead || crc32.Checksum(b[packHead:], castagnoli) != binary.LittleEndian.Uint32(b) {
		return 0, 0, errBadPack
	}
	entered, n := binary.Varint(b[packHead:])
	if n <= 0 {
		return 0, 0, errBadPack
	}
	return entered, packHead + n, nil
}

// recordLen returns the length of the record that b begins with.
func recordLen(b []byte) (int, error) {
	at := 0
	for _, skip := range [...]bool{true, false, false, false, true} { // content, number, entered, versions, typed
		v, n := binary.Uvarint(b[at:])
		at += n
		if n <= 0 || skip && v > uint64(len(b)-at) {
			return 0, errBadPack
		}
		if skip {
			at += int(v)
		}
	}
	return at, nil
}

// unpacker decodes packs of one kind. The texts it returns share the pack's
// memory.
type unpacker struct {
	t       *table
	n       *names
	words   [][]string // by field: the words by number, less the first
	content string     // the pack
	at      int
	entered int64
	short   bool // the pack ended too early
}

func (t *table) unpacker(n *names) *unpacker {
	u := &unpacker{t: t, n: n, words: make([][]string, len(t.kind.Fields))}
	for i := range t.kind.Fields {
		f := &t.kind.Fields[i]
		if f.Vocabulary == "" {
			continue
		}
		low, _ := schema.WordRange(f.Vocabulary)
		for w, id := range n.word[f.Vocabulary] {
			k := int(id - low)
			for len(u.words[i]) <= k {
				u.words[i] = append(u.words[i], "")
			}
			u.words[i][k] = w
		}
	}
	return u
}

// open begins to decode a pack.
func (u *unpacker) open(content string) (err error) {
	u.entered, u.at, err = openPack([]byte(content))
	u.content, u.short = content, false
	return err
}

// more reports whether another record follows.
func (u *unpacker) more() bool { return u.at < len(u.content) }

func (u *unpacker) uvarint() uint64 {
	var v uint64
	for shift := uint(0); u.at < len(u.content) && shift < 64; shift += 7 {
		c := u.content[u.at]
		u.at++
		v |= uint64(c&0x7f) << shift
		if c < 0x80 {
			return v
		}
	}
	u.short = true
	return 0
}

func (u *unpacker) varint() int64 {
	v := u.uvarint()
	return int64(v>>1) ^ -int64(v&1)
}

func (u *unpacker) text() string {
	n := int(u.uvarint())
	if n < 0 || n > len(u.content)-u.at {
		u.short = true
		return ""
	}
	u.at += n
	return u.content[u.at-n : u.at]
}

// next reads the next record into r, which is empty.
func (u *unpacker) next(r schema.Record) error {
	k := u.t.kind
	end := int(u.uvarint())
	end += u.at
	known := u.uvarint()
	if known>>len(k.Fields) != 0 {
		return errBadPack
	}
	var room [maxFields]any
	to := k.Pointers(room[:0], r)
	for ; known != 0; known &= known - 1 {
		i := bits.TrailingZeros64(known)
		switch v := to[i].(type) {
		case *string:
			switch k.Fields[i].Type {
			case schema.TextField:
				*v = u.text()
			case schema.MachineField:
				*v = u.n.machineName[int64(u.uvarint())]
			case schema.DriverField:
				*v = u.n.driverName[int64(u.uvarint())]
			case schema.WordField:
				*v = u.word(i, u.uvarint())
			}
		case *schema.Num:
			v.Known = true
			if w := u.uvarint(); w&1 == 0 {
				w >>= 1
				v.V = float64(int64(w>>1)^-int64(w&1)) / 1000
			} else if u.at+8 <= len(u.content) {
				v.V = math.Float64frombits(binary.LittleEndian.Uint64([]byte(u.content[u.at : u.at+8])))
				u.at += 8
			} else {
				u.short = true
			}
		case *time.Time:
			*v = time.Unix(u.varint(), 0).UTC()
		case *[]string:
			for set := u.uvarint(); set != 0; set &= set - 1 {
				*v = append(*v, u.word(i, uint64(bits.TrailingZeros64(set))))
			}
		}
	}
	if u.at != end {
		return errBadPack
	}
	m := k.Meta(r)
	m.Number = int64(u.uvarint())
	if u.n.ties != nil {
		m.Order = u.n.ties.order(m.Number)
	}
	m.Entered = time.Unix(u.entered+u.varint(), 0).UTC()
	m.Versions = int(u.uvarint())
	if typed := u.text(); typed != "" {
		if err := json.Unmarshal([]byte(typed), &m.Typed); err != nil {
			return errBadPack
		}
	}
	if u.short {
		return errBadPack
	}
	return nil
}

func (u *unpacker) word(field int, k uint64) string {
	if k >= uint64(len(u.words[field])) {
		u.short = true
		return ""
	}
	return u.words[field][k]
}
