package sheet

import (
	"archive/zip"
	"bufio"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path"
	"path/filepath"
	"strconv"
	"strings"
	"unicode"
)

// A Workbook is an open workbook (.xlsx, ECMA-376 part 1); its tabs are sheets.
// It is read row by row, so that memory does not grow with it. The reader sees
// each cell's type and number format, and merged cells. A tab that is cut off
// is an error, not the end of the sheet.
type Workbook struct {
	Note    func(string) // told what the user must know of the tabs; may be nil
	name    string
	size    int64
	parts   map[string]*zip.File // by name in lower case, without a leading slash
	file    io.Closer
	tabs    []TabInfo
	date04  bool // days are counted from 1904
	formats []numberFormat
	noted   map[string]bool // tabs that Note was told of
	strings struct {
		part string
		read bool
		err  error
		text string
		ends []uint32
	}
}

// TabInfo is a tab of a workbook.
type TabInfo struct {
	Name   string
	Hidden bool
	part   string
}

// Limits of a workbook, so that a small file can't use up memory or time.
const (
	maxRowXML   = 4 << 20  // bytes of one row, or of one token elsewhere
	maxPart     = 4 << 30  // bytes of a part, unpacked
	maxSmall    = 16 << 20 // bytes of a part without rows or strings
	maxStrings  = 64 << 20 // bytes of shared text, and 4 for each string
	maxUnpacked = 300      // how many times larger than packed a part may be, beyond freeUnpack
	freeUnpack  = 16 << 20
	lastColumn  = 16384 // as in every spreadsheet program
	maxRows     = 1048576
	maxTabs     = 1000
	maxParts    = 20_000    // files in the archive
	maxPacked   = 200 << 20 // bytes of the archive: all names of its parts may be in memory
)

var errNotXML = errors.New("is not the XML of a workbook")

// IsWorkbook reports whether the file has a workbook's name, or begins like an
// archive or an old workbook.
func IsWorkbook(path string) bool {
	switch strings.ToLower(filepath.Ext(path)) {
	case ".xlsx", ".xlsm", ".xltx", ".xls", ".xlsb", ".ods":
		return true
	}
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	var head [4]byte
	_, err = io.ReadFull(f, head[:])
	return err == nil && (string(head[:]) == "PK\x03\x04" || string(head[:]) == "\xd0\xcf\x11\xe0")
}

// OpenWorkbook opens a workbook to read its tabs. The error is an *Error if the
// file is not a workbook.
func OpenWorkbook(name string) (*Workbook, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err == nil {
		var w *Workbook
		if w, err = NewWorkbook(f, info.Size(), name); err == nil {
			w.file = f
			return w, nil
		}
	}
	f.Close()
	return nil, err
}

// NewWorkbook is OpenWorkbook for any source; name is used in messages.
func NewWorkbook(src io.ReaderAt, size int64, name string) (*Workbook, error) {
	w := &Workbook{name: name, size: size, parts: map[string]*zip.File{}}
	var head [4]byte
	if n, _ := src.ReadAt(head[:], 0); string(head[:n]) == "\xd0\xcf\x11\xe0" {
		return nil, w.fail("is an old workbook (.xls), or one with a password: save it as .xlsx without one")
	} else if !strings.HasPrefix(string(head[:n]), "PK") {
		return nil, w.fail("is not a workbook (.xlsx): save it as one, or as CSV UTF-8")
	}
	if err := w.checkSize(src); err != nil {
		return nil, err
	}
	z, err := zip.NewReader(src, size)
	if err != nil {
		return nil, w.fail("is not a workbook, or is damaged (%s): save it again as .xlsx", err)
	}
	for _, f := range z.File {
		w.parts[partName(f.Name)] = f
	}
	if err := w.readParts(); err != nil {
		var known *Error
		if errors.As(err, &known) {
			return nil, err
		}
		return nil, w.fail("is not a workbook, or is damaged (%s): save it again as .xlsx", err)
	}
	return w, nil
}

// checkSize returns an error if listing the archive's parts would take too long
// or too much memory. Each part has a signature (PKZIP APPNOTE 6.3.10, 4.3.12);
// the number of parts that the archive gives is not trusted.
func (w *Workbook) checkSize(src io.ReaderAt) error {
	if w.size > maxPacked {
		return w.fail("is larger than %d MiB: split it, or save its tabs as CSV UTF-8", maxPacked>>20)
	}
	signature := []byte("PK\x01\x02")
	buf := make([]byte, 64<<10)
	for at, parts := int64(0), 0; at < w.size; {
		n, err := src.ReadAt(buf, at)
		if parts += bytes.Count(buf[:n], signature); parts > maxParts {
			return w.fail("is an archive of more than %d files, too many for a workbook", maxParts)
		}
		if err != nil || n < len(buf) {
			return nil // the archive's reader reports what can't be read
		}
		at += int64(n - len(signature) + 1)
	}
	return nil
}

func partName(s string) string {
	return strings.ToLower(strings.TrimPrefix(strings.ReplaceAll(s, `\`, "/"), "/"))
}

func (w *Workbook) fail(format string, args ...any) *Error {
	return &Error{File: w.name, Line: 1, Says: fmt.Sprintf(format, args...)}
}

// Close closes the file.
func (w *Workbook) Close() error {
	if w.file == nil {
		return nil
	}
	return w.file.Close()
}

// Tabs returns the tabs of the workbook, in order.
func (w *Workbook) Tabs() []TabInfo { return append([]TabInfo(nil), w.tabs...) }

// readParts finds the tabs, the date system and the number formats.
func (w *Workbook) readParts() error {
	if w.parts["content.xml"] != nil && w.parts["[content_types].xml"] == nil {
		return w.fail("is an OpenDocument file: save it as .xlsx, or as CSV UTF-8")
	}
	top, err := w.relations("")
	if err != nil {
		return err
	}
	main := ""
	for _, r := range top {
		if strings.HasSuffix(r.kind, "/officeDocument") {
			main = r.target
		}
	}
	if strings.HasSuffix(main, ".bin") {
		return w.fail("is a binary workbook (.xlsb): save it as .xlsx")
	}
	if main == "" || w.parts[main] == nil {
		return w.fail("is an archive, but no workbook (.xlsx)")
	}
	related, err := w.relations(main)
	if err != nil {
		return err
	}
	sheets := map[string]string{} // from a relation's id to the part of its worksheet
	for _, r := range related {
		switch {
		case strings.HasSuffix(r.kind, "/styles"):
			if err := w.readStyles(r.target); err != nil {
				return err
			}
		case strings.HasSuffix(r.kind, "/sharedStrings"):
			w.strings.part = r.target
		case strings.HasSuffix(r.kind, "/worksheet"):
			sheets[r.id] = r.target
		}
	}
	err = w.eachElement(main, func(e xml.StartElement, _ []string) {
		switch e.Name.Local {
		case "workbookPr":
			w.date04 = isTrue(attr(e, "date1904"))
		case "sheet":
			if part, ok := sheets[attr(e, "id")]; ok {
				w.tabs = append(w.tabs, TabInfo{Name: printable(unescape(attr(e, "name"))),
					Hidden: strings.Contains(strings.ToLower(attr(e, "state")), "hidden"), part: part})
			}
		}
	})
	if err == nil && len(w.tabs) > maxTabs {
		return w.fail("has %d tabs, more than the %d that can be read: split it, or save its tabs as CSV UTF-8",
			len(w.tabs),
			maxTabs)
	}
	return err
}

type relation struct{ id, kind, target string }

// relations returns what a part refers to; if of is "", what the package does.
func (w *Workbook) relations(of string) ([]relation, error) {
	dir, base := path.Split(of)
	var out []relation
	err := w.eachElement(dir+"_rels/"+base+".rels", func(e xml.StartElement, _ []string) {
		if e.Name.Local != "Relationship" || attr(e, "TargetMode") == "External" {
			return
		}
		target := strings.ReplaceAll(attr(e, "Target"), `\`, "/")
		if !strings.HasPrefix(target, "/") {
			target = dir + target
		}
		out = append(out, relation{attr(e, "Id"), attr(e, "Type"), partName(path.Clean("/" + target))})
	})
	return out, err
}

// readStyles reads the number format of each style.
func (w *Workbook) readStyles(part string) error {
	own := map[string]numberFormat{}
	return w.eachElement(part, func(e xml.StartElement, within []string) {
		if len(within) == 0 {
			return
		}
		switch parent := within[len(within)-1]; {
		case parent == "numFmts" && e.Name.Local == "numFmt":
			own[attr(e, "numFmtId")] = formatOf(attr(e, "formatCode"))
		case parent == "cellXfs" && e.Name.Local == "xf":
			id := attr(e, "numFmtId")
			f, ok := own[id]
			if n, err := strconv.Atoi(id); !ok && err == nil {
				f = builtIn(n)
			}
			w.formats = append(w.formats, f)
		}
	})
}

// eachElement calls each for every element of a small part, with the names of
// the enclosing elements.
func (w *Workbook) eachElement(part string, each func(e xml.StartElement, within []string)) error {
	in, err := w.pull(part)
	if err != nil {
		return err
	}
	defer in.Close()
	in.most = maxSmall
	var within []string
	for {
		in.left = maxRowXML
		token, err := in.RawToken()
		if err == io.EOF && len(within) == 0 {
			return nil
		} else if err != nil {
			return explainXML(part, err)
		}
		switch e := token.(type) {
		case xml.StartElement:
			each(e, within)
			if within = append(within, e.Name.Local); len(within) > 100 {
				return explainXML(part, errNotXML)
			}
		case xml.EndElement:
			if len(within) == 0 || within[len(within)-1] != e.Name.Local {
				return explainXML(part, errNotXML)
			}
			within = within[:len(within)-1]
		}
	}
}

// sharedString returns a shared text by its index.
func (w *Workbook) sharedString(i int) (string, error) {
	s := &w.strings
	if !s.read {
		s.read, s.err = true, w.readStrings()
	}
	if s.err != nil {
		return "", s.err
	}
	if i < 0 || i >= len(s.ends) {
		return "", fmt.Errorf("points at text %d of %d", i+1, len(s.ends))
	}
	from := uint32(0)
	if i > 0 {
		from = s.ends[i-1]
	}
	return s.text[from:s.ends[i]], nil
}

// readStrings reads all shared text into one string.
func (w *Workbook) readStrings() error {
	if w.strings.part == "" {
		return nil
	}
	in, err := w.pull(w.strings.part)
	if err != nil {
		return err
	}
	defer in.Close()
	var all strings.Builder
	var r runs
	for {
		in.left = maxRowXML
		token, err := in.RawToken()
		if err == io.EOF {
			if !in.closed {
				err = io.ErrUnexpectedEOF
			} else {
				w.strings.text = all.String()
				return nil
			}
		}
		if err != nil {
			return explainXML(w.strings.part, err)
		}
		switch e := token.(type) {
		case xml.StartElement:
			r.start(e.Name.Local)
		case xml.CharData:
			r.text(e)
		case xml.EndElement:
			r.end(e.Name.Local)
			switch e.Name.Local {
			case "si":
				all.WriteString(r.take())
				if all.Len()+4*len(w.strings.ends) > maxStrings {
					return w.fail("has more than %d MiB of text: split it, or save its tabs as CSV UTF-8",
						maxStrings>>20)
				}
				w.strings.ends = append(w.strings.ends, uint32(all.Len()))
			case "sst":
				in.closed = true
			}
		}
	}
}

// runs collects the text of a string from its runs (t), without pronunciation
// hints (rPh).
type runs struct {
	b         []byte
	in, aside bool
}

func (r *runs) start(name string) {
	switch name {
	case "t":
		r.in = !r.aside
	case "rPh":
		r.aside = true
	}
}

func (r *runs) text(c xml.CharData) {
	if r.in {
		r.b = append(r.b, c...)
	}
}

func (r *runs) end(name string) {
	switch name {
	case "t":
		r.in = false
	case "rPh":
		r.aside = false
	}
}

func (r *runs) take() string {
	s := unescape(string(r.b))
	r.b = r.b[:0]
	return s
}

// unescape returns s with _xHHHH_ resolved: characters that XML does not allow
// (ECMA-376-1, 22.9.2.19).
func unescape(s string) string {
	if !strings.Contains(s, "_x") {
		return s
	}
	var b strings.Builder
	for {
		i := strings.Index(s, "_x")
		if i < 0 {
			return b.String() + s
		}
		b.WriteString(s[:i])
		if s = s[i:]; len(s) >= 7 && s[6] == '_' {
			if u, err := strconv.ParseUint(s[2:6], 16, 16); err == nil && (u < 0xD800 || u > 0xDFFF) {
				b.WriteRune(rune(u))
				s = s[7:]
				continue
			}
		}
		b.WriteString(s[:2])
		s = s[2:]
	}
}

// pull reads the XML of a part: at most left bytes until left is set again, and
// at most most in all.
type pull struct {
	*xml.Decoder
	src    io.ReadCloser
	buf    *bufio.Reader
	left   int
	read   int64
	most   int64
	packed int64
	closed bool // the root element was closed
}

func (w *Workbook) pull(part string) (*pull, error) {
	f := w.parts[part]
	if f == nil {
		return nil, fmt.Errorf("%s is missing", printable(part))
	}
	src, err := f.Open()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", printable(part), err)
	}
	p := &pull{src: src, buf: bufio.NewReaderSize(src, 32<<10), left: maxRowXML, most: maxPart,
		packed: min(int64(min(f.CompressedSize64, math.MaxInt64)), w.size)}
	p.Decoder = xml.NewDecoder(p)
	p.Decoder.Strict = true
	return p, nil
}

func (p *pull) Close() error { return p.src.Close() }

// ReadByte is used by the XML decoder.
func (p *pull) ReadByte() (byte, error) {
	if p.left--; p.left < 0 {
		return 0, errTooLong
	}
	if p.read++; p.read > p.most || p.read > freeUnpack && p.read/maxUnpacked > p.packed {
		return 0, errBomb
	}
	return p.buf.ReadByte()
}

// Read only makes pull an io.Reader; the decoder uses ReadByte.
func (p *pull) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	c, err := p.ReadByte()
	if err != nil {
		return 0, err
	}
	b[0] = c
	return 1, nil
}

var errBomb = errors.New("is far too large when unpacked")

func explainXML(part string, err error) error {
	part = printable(part)
	var syntax *xml.SyntaxError
	switch {
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return fmt.Errorf("%s ends too early", part)
	case errors.As(err, &syntax):
		return fmt.Errorf("%s, line %d: %s", part, syntax.Line, printable(syntax.Msg))
	case errors.Is(err, errTooLong):
		return fmt.Errorf("%s has a piece larger than %d MiB", part, maxRowXML>>20)
	}
	return fmt.Errorf("%s: %w", part, err)
}

// printable returns a text of the workbook for a message: short, and without
// control characters.
func printable(s string) string {
	return short(strings.Map(func(r rune) rune {
		if unicode.IsGraphic(r) {
			return r
		}
		return '?'
	}, s))
}

func attr(e xml.StartElement, name string) string {
	for i := range e.Attr {
		if e.Attr[i].Name.Local == name && e.Attr[i].Name.Space != "xmlns" {
			return e.Attr[i].Value
		}
	}
	return ""
}

func isTrue(s string) bool { return s == "1" || s == "true" || s == "on" }
