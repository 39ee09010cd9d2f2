package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"html"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// printed is what a printed history says of itself.
type printed struct {
	format    string // text, terminal, html, json or csv; "" where it is none of them
	asOf      time.Time
	withNames bool
	widths    []int // of the terminal it may have been printed on
	lines     []numbered
}

// numbered is a line that is not blank, without its white space.
type numbered struct {
	number int
	bare   string
	text   string
}

var (
	pageTitle = regexp.MustCompile(`<title>History of [^<]*</title>`)
	pageAsOf  = regexp.MustCompile(`<meta name="as-of" content="([^"]*)">`)
	textTitle = regexp.MustCompile(`(?m)^\s*History of `)
	textAsOf  = regexp.MustCompile(`(?m)^\s*As of (.+?)\.\s*$`)
	pageLead  = regexp.MustCompile(`<p>As of ([^<]+)\.</p>`)
)

// csvHead is how the CSV of a history begins.
const csvHead = "at,engine_hours,kind,number,says,note"

// readPaper reads of a printed history how it was printed. zone is that of times
// without one.
func readPaper(text string, zone *time.Location) printed {
	text = strings.TrimPrefix(text, "\ufeff")
	begins := strings.TrimSpace(text)
	p := printed{widths: []int{0}}
	at := func(s string) bool {
		for _, form := range []string{time.RFC3339, "2 Jan 2006 15:04"} {
			if t, err := time.ParseInLocation(form, html.UnescapeString(s), zone); err == nil {
				p.asOf = t
				return true
			}
		}
		return false
	}
	letters := strings.Contains(begins, "Letters stand for drivers here.")
	var told struct {
		AsOf    string `json:"as_of"`
		Masked  *bool  `json:"drivers_masked"`
		Machine string `json:"machine"`
	}
	switch {
	case strings.HasPrefix(begins, csvHead):
		p.format = "csv"
		if rows, err := csv.NewReader(strings.NewReader(begins)).ReadAll(); err == nil {
			for _, row := range rows[1:] {
				if t, err := time.Parse(time.RFC3339, row[0]); err == nil && t.After(p.asOf) {
					p.asOf = t
				}
			}
		}
	case json.Unmarshal([]byte(begins), &told) == nil && told.Masked != nil:
		p.format, p.withNames = "json", !*told.Masked
		if !at(told.AsOf) {
			return printed{}
		}
		var b bytes.Buffer
		if json.Indent(&b, []byte(begins), "", "  ") == nil {
			text = b.String()
		}
	case pageTitle.MatchString(begins):
		p.format, p.withNames = "html", !letters
		for _, form := range []*regexp.Regexp{pageAsOf, pageLead} {
			if m := form.FindStringSubmatch(begins); m != nil && at(m[1]) {
				break
			}
		}
		if p.asOf.IsZero() {
			return printed{}
		}
	case textTitle.MatchString(begins):
		m := textAsOf.FindStringSubmatch(begins)
		if m == nil || !at(m[1]) {
			return printed{}
		}
		p.format, p.withNames = "text", !letters
		if _, err := time.Parse(time.RFC3339, m[1]); err != nil {
			p.format, p.widths = "terminal", widthsOf(begins)
		}
	default:
		return printed{}
	}
	for i, line := range strings.Split(text, "\n") {
		if b := strings.Join(strings.Fields(line), ""); b != "" {
			p.lines = append(p.lines, numbered{i + 1, b, strings.TrimSpace(line)})
		}
	}
	return p
}

// widthsOf are the widths of terminals on which a text may have been printed:
// hardly more than its longest line.
func widthsOf(text string) []int {
	longest := 0
	for line := range strings.Lines(text) {
		longest = max(longest, utf8.RuneCountInString(strings.TrimRight(line, " \r\n")))
	}
	var out []int
	for w := max(longest, 20); w <= longest+40; w++ {
		out = append(out, w)
	}
	return append(out, 300)
}

// filled are the lines of a text that are not blank.
func filled(text string) []string {
	var out []string
	for line := range strings.Lines(text) {
		if strings.TrimSpace(line) != "" {
			out = append(out, strings.TrimSpace(line))
		}
	}
	return out
}

// anyNumber stands for the number of a record where any will do.
const anyNumber = 9090909090909

// compared is how a paper's lines differ from the book's.
type compared struct {
	differ     []difference
	renumbered int  // lines that differ only in the record's number
	stayed     bool // the paper does not say when the machine left this fleet, and matches else
}

// difference is a line of the paper, the book's in its place, or both; the other
// is "".
type difference struct {
	line        int // of the paper; the one before, where it is not on the paper
	paper, book string
}

// compare holds the lines of a paper against the book's: exact, and loose with
// anyNumber for every record's number, since each book numbers its own.
func compare(paper []numbered, exact, loose []string) *compared {
	wanted := make([]string, len(loose))
	for i, l := range loose {
		wanted[i] = strings.Join(strings.Fields(l), "")
	}
	same := func(i, j int) bool { return fits(paper[i].bare, wanted[j]) }
	c := &compared{}
	first, n, m := 0, len(paper), len(wanted)
	for first < n && first < m && same(first, first) {
		first++
	}
	for n > first && m > first && same(n-1, m-1) {
		n, m = n-1, m-1
	}
	pairs := align(first, n, m, same)
	for i := range first {
		pairs = append(pairs, [2]int{i, i})
	}
	for i := n; i < len(paper); i++ {
		pairs = append(pairs, [2]int{i, m + i - n})
	}
	for _, p := range pairs {
		if p[1] < len(exact) && paper[p[0]].bare != strings.Join(strings.Fields(exact[p[1]]), "") {
			c.renumbered++
		}
	}
	// What stands between the lines that fit differs, line for line as far as both go.
	slices.SortFunc(pairs, func(a, b [2]int) int { return a[0] - b[0] })
	pairs = append(pairs, [2]int{len(paper), len(wanted)})
	i, j := 0, 0
	for _, p := range pairs {
		for i < p[0] || j < p[1] {
			d := difference{}
			if i < p[0] {
				d.line, d.paper = paper[i].number, paper[i].text
				i++
			} else if i > 0 {
				d.line = paper[i-1].number
			}
			if j < p[1] {
				if d.book = loose[j]; j < len(exact) {
					d.book = exact[j]
				}
				j++
			}
			c.differ = append(c.differ, d)
		}
		i, j = p[0]+1, p[1]+1
	}
	return c
}

// fits says whether a line of a paper is the book's, whatever number stands in it
// for anyNumber.
func fits(paper, book string) bool {
	parts := strings.Split(book, strconv.Itoa(anyNumber))
	for i, part := range parts {
		if i > 0 {
			rest := strings.TrimLeft(paper, "0123456789")
			if len(rest) == len(paper) {
				return false
			}
			// A digit that follows the number belongs to what follows.
			for !strings.HasPrefix(rest, part) && len(rest)+1 < len(paper) {
				rest = paper[len(paper)-len(rest)-1:]
			}
			paper = rest
		}
		if !strings.HasPrefix(paper, part) {
			return false
		}
		paper = paper[len(part):]
	}
	return paper == ""
}

// align pairs as many lines from first on as fit in order (the longest common
// subsequence); too many to try are paired in their places.
func align(first, n, m int, same func(i, j int) bool) [][2]int {
	var out [][2]int
	rows, columns := n-first, m-first
	if rows*columns > 4e6 {
		for i := first; i < min(n, m); i++ {
			if same(i, i) {
				out = append(out, [2]int{i, i})
			}
		}
		return out
	}
	most := make([][]int32, rows+1)
	for i := range most {
		most[i] = make([]int32, columns+1)
	}
	for i := rows - 1; i >= 0; i-- {
		for j := columns - 1; j >= 0; j-- {
			if most[i][j] = max(most[i+1][j], most[i][j+1]); same(first+i, first+j) {
				most[i][j] = max(most[i][j], most[i+1][j+1]+1)
			}
		}
	}
	for i, j := 0, 0; i < rows && j < columns; {
		switch {
		case same(first+i, first+j):
			out = append(out, [2]int{first + i, first + j})
			i, j = i+1, j+1
		case most[i+1][j] >= most[i][j+1]:
			i++
		default:
			j++
		}
	}
	return out
}

// apart shortens two lines to where they part.
func apart(paper, book string) (string, string) {
	const before, most = 30, 90
	p, b := []rune(strings.Join(strings.Fields(paper), " ")), []rune(strings.Join(strings.Fields(book), " "))
	at := 0
	for at < len(p) && at < len(b) && p[at] == b[at] {
		at++
	}
	short := func(r []rune) string {
		head, tail := "", ""
		if at > before && len(r) > most && len(p) > 0 && len(b) > 0 {
			head, r = "...", r[at-before:]
		}
		if len(r) > most {
			r, tail = r[:most], "..."
		}
		return head + string(r) + tail
	}
	return short(p), short(b)
}
