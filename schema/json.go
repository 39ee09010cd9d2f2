package schema

import (
	"bytes"
	"encoding/json"
	"fmt"
	"time"
)

// MarshalJSON returns the number, or null if it is not recorded.
func (n Num) MarshalJSON() ([]byte, error) {
	if !n.Known {
		return []byte("null"), nil
	}
	return json.Marshal(n.V)
}

// UnmarshalJSON is the inverse of MarshalJSON.
func (n *Num) UnmarshalJSON(b []byte) error {
	*n = Num{}
	if string(b) == "null" {
		return nil
	}
	n.Known = true
	return json.Unmarshal(b, &n.V)
}

// JSON returns the record as an object: its kind, its number, then its fields
// in order, null if not recorded, times in the zone.
func (k *Kind) JSON(r Record, zone *time.Location) []byte { return k.Encode(r, zone, nil) }

// Encode is JSON with numbers instead of the names of machines and drivers,
// where number knows one; a nil number changes nothing.
func (k *Kind) Encode(r Record, zone *time.Location, number func(*Field, string) (int64, bool)) []byte {
	var b bytes.Buffer
	m := k.Meta(r)
	fmt.Fprintf(&b, `{"kind":%q`, k.Name)
	if m.Number != 0 {
		fmt.Fprintf(&b, `,"number":%d`, m.Number)
	}
	for i := range k.Fields {
		f := &k.Fields[i]
		fmt.Fprintf(&b, `,%q:`, f.Name)
		var v any
		switch p := f.Pointer(r).(type) {
		case *string:
			if *p != "" {
				v = *p
			}
			if number != nil && f.refers() {
				if n, ok := number(f, *p); ok {
					v = n
				}
			}
		case *Num:
			v = *p
		case *time.Time:
			if !p.IsZero() {
				v = p.In(zone).Format(time.RFC3339)
			}
		case *[]string:
			if len(*p) > 0 {
				v = *p
			}
		}
		s, err := json.Marshal(v)
		if err != nil { // a Num is finite: Set checks it
			panic(err)
		}
		b.Write(s)
	}
	if m.Versions > 0 {
		fmt.Fprintf(&b, `,"earlier_versions":%d`, m.Versions)
	}
	if len(m.Typed) > 0 {
		s, _ := json.Marshal(m.Typed)
		fmt.Fprintf(&b, `,"typed":%s`, s)
	}
	b.WriteByte('}')
	return b.Bytes()
}

// refers reports whether the field holds a machine's or a driver's name.
func (f *Field) refers() bool { return f.Type == MachineField || f.Type == DriverField }

// Decode is the inverse of Encode. If name is not nil, it is asked for the name
// of every machine and driver: by number or, if number is 0, by the name given.
func (k *Kind) Decode(data []byte, name func(f *Field, number int64, is string) (string, error)) (Record, error) {
	var raw map[string]json.RawMessage
	if err := json.Unmarshal(data, &raw); err != nil {
		return nil, err
	}
	r := k.New()
	for i := range k.Fields {
		f := &k.Fields[i]
		s, ok := raw[f.Name]
		if !ok || string(s) == "null" {
			continue
		}
		p := f.Pointer(r)
		if t, ok := p.(*time.Time); ok {
			var text string
			if err := json.Unmarshal(s, &text); err != nil {
				return nil, err
			}
			v, err := time.Parse(time.RFC3339, text)
			if err != nil {
				return nil, err
			}
			*t = v.UTC()
			continue
		}
		if name != nil && f.refers() {
			var number int64
			var is string
			err := json.Unmarshal(s, &number)
			if err != nil {
				err = json.Unmarshal(s, &is)
			}
			if err == nil {
				*p.(*string), err = name(f, number, is)
			}
			if err != nil {
				return nil, err
			}
			continue
		}
		if err := json.Unmarshal(s, p); err != nil {
			return nil, err
		}
	}
	m := k.Meta(r)
	if s, ok := raw["number"]; ok {
		if err := json.Unmarshal(s, &m.Number); err != nil {
			return nil, err
		}
	}
	if s, ok := raw["typed"]; ok {
		if err := json.Unmarshal(s, &m.Typed); err != nil {
			return nil, err
		}
	}
	return r, nil
}
