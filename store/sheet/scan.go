package sheet

import (
	"bytes"
	"errors"
	"io"
	"strings"
)

// MaxRow is the longest row of a sheet, in bytes, quoted line breaks included.
// It limits the reader's memory.
const MaxRow = 1 << 20

var (
	errTooLong  = errors.New("row too long")
	errUnclosed = errors.New("quote not closed")
)

// scanner splits separated rows (RFC 4180, 2005, section 2) with any separator,
// CRLF or LF. It allows two things that people and programs write: a quote
// inside an unquoted cell is literal, and spaces may stand outside a cell's
// quotes.
type scanner struct {
	src        io.Reader
	buf        []byte
	start, end int // unread bytes are buf[start:end]
	eof        bool
	sep        byte
	line       int // of the row that next returns

	cells   []string
	bounds  []int  // ends of the cells in scratch
	scratch []byte // cells with their quotes resolved
	cut     bool   // the row ends without a line break: the last one
	junk    int    // index of the cell with text after its closing quote; -1 for none
}

func newScanner(src io.Reader) *scanner {
	return &scanner{src: src, buf: make([]byte, 64<<10), sep: ',', line: 1}
}

// fill reads more bytes after the unread ones.
func (s *scanner) fill() error {
	if s.start > 0 {
		copy(s.buf, s.buf[s.start:s.end])
		s.start, s.end = 0, s.end-s.start
	}
	if s.end == len(s.buf) {
		if len(s.buf) > MaxRow {
			return errTooLong
		}
		s.buf = append(make([]byte, 0, 2*len(s.buf)), s.buf...)
		s.buf = s.buf[:cap(s.buf)]
	}
	for range 100 { // as in bufio: such a source will never give anything
		n, err := s.src.Read(s.buf[s.end:])
		s.end += n
		if err == io.EOF {
			s.eof = true
			return nil
		}
		if err != nil || n > 0 {
			return err
		}
	}
	return io.ErrNoProgress
}

// peekLine returns the first unread line, without its line break, and does not
// consume it.
func (s *scanner) peekLine() ([]byte, error) {
	for {
		if i := bytes.IndexByte(s.buf[s.start:s.end], '\n'); i >= 0 {
			return bytes.TrimSuffix(s.buf[s.start:s.start+i], []byte{'\r'}), nil
		}
		if s.eof {
			return s.buf[s.start:s.end], nil
		}
		if err := s.fill(); err != nil {
			return nil, err
		}
	}
}

// next returns the cells of the next row, quotes resolved, and the line it
// begins on. The slice is valid until the next call, its strings for ever. It
// returns io.EOF at the end. After errTooLong and errUnclosed rows can't be
// told apart: nothing more can be read.
func (s *scanner) next() (line int, cells []string, err error) {
	line = s.line
	seen := 0 // bytes known to have no line break
	for {
		rest := s.buf[s.start:s.end]
		i := bytes.IndexByte(rest[seen:], '\n')
		if i < 0 && !s.eof {
			seen = len(rest)
			if err := s.fill(); err != nil {
				return line, nil, err
			}
			continue
		}
		if i < 0 && len(rest) == 0 {
			return line, nil, io.EOF
		}
		row, size := rest, len(rest)
		if s.cut = i < 0; !s.cut {
			row, size = rest[:seen+i], seen+i+1
		}
		if len(row) > MaxRow {
			return line, nil, errTooLong
		}
		if bytes.IndexByte(row, '"') >= 0 {
			break
		}
		s.start += size
		s.line++
		s.junk = -1
		if n := len(row); n > 0 && row[n-1] == '\r' {
			row = row[:n-1]
		}
		s.split(string(row))
		return line, s.cells, nil
	}
	for {
		size, lines, done := s.quoted(s.buf[s.start:s.end])
		if done {
			if size > MaxRow {
				return line, nil, errTooLong
			}
			s.start += size
			s.line += lines
			text := string(s.scratch)
			s.cells = s.cells[:0]
			from := 0
			for _, to := range s.bounds {
				s.cells = append(s.cells, text[from:to])
				from = to
			}
			return line, s.cells, nil
		}
		if s.eof {
			return line, nil, errUnclosed
		}
		if err := s.fill(); err != nil {
			return line, nil, err
		}
	}
}

// split splits a row without quotes.
func (s *scanner) split(row string) {
	s.cells = s.cells[:0]
	for {
		i := strings.IndexByte(row, s.sep)
		if i < 0 {
			s.cells = append(s.cells, row)
			return
		}
		s.cells = append(s.cells, row[:i])
		row = row[i+1:]
	}
}

// quoted reads the row that b begins with into scratch and bounds. done is
// false if b ends within the row; size is the row's length in bytes and lines
// its number of line breaks.
func (s *scanner) quoted(b []byte) (size, lines int, done bool) {
	s.scratch, s.bounds, s.junk, s.cut = s.scratch[:0], s.bounds[:0], -1, false
	i := 0
	for { // a cell
		from := len(s.scratch)
		j := i
		for j < len(b) && (b[j] == ' ' || b[j] == '\t') && b[j] != s.sep {
			j++
		}
		if j < len(b) && b[j] == '"' {
			for i = j + 1; ; {
				k := bytes.IndexByte(b[i:], '"')
				if k < 0 {
					return 0, 0, false
				}
				s.scratch = append(s.scratch, b[i:i+k]...)
				i += k + 1
				if i == len(b) && !s.eof {
					return 0, 0, false // it may be the first of two
				}
				if i < len(b) && b[i] == '"' {
					s.scratch = append(s.scratch, '"')
					i++
					continue
				}
				break
			}
			lines += bytes.Count(s.scratch[from:], []byte{'\n'})
			// Only spaces should stand before the separator.
			for i < len(b) && b[i] != s.sep && b[i] != '\n' {
				if c := b[i]; c != ' ' && c != '\t' && c != '\r' {
					s.scratch = append(s.scratch, c) // kept, so that the row can be set aside whole
					if s.junk < 0 {
						s.junk = len(s.bounds)
					}
				}
				i++
			}
		} else {
			k := i
			for k < len(b) && b[k] != s.sep && b[k] != '\n' {
				k++
			}
			text := b[i:k]
			if n := len(text); n > 0 && text[n-1] == '\r' && (k == len(b) || b[k] == '\n') {
				text = text[:n-1]
			}
			s.scratch = append(s.scratch, text...)
			i = k
		}
		s.bounds = append(s.bounds, len(s.scratch))
		switch {
		case i == len(b):
			s.cut = true
			return i, lines, s.eof
		case b[i] == '\n':
			return i + 1, lines + 1, true
		}
		i++
	}
}
