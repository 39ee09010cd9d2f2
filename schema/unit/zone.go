package unit

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"
	_ "time/tzdata" // used only if the system has no zones
)

const zoneExample = "Europe/Berlin, UTC+2 or UTC"

// ParseZone reads a time zone: an IANA name, "UTC", an offset ("UTC+2",
// "+02:00"), or "local" for this computer's own. Store the location's String:
// ParseZone reads it as the same zone on any computer. So "local" becomes a
// real name or an error.
func ParseZone(s string) (*time.Location, error) {
	t := trim(s)
	switch strings.ToLower(t) {
	case "":
		return nil, fmt.Errorf("%s is not a time zone: write %s", Quote(s), zoneExample)
	case "utc", "z", "gmt":
		return time.UTC, nil
	case "local":
		return localZone()
	}
	if loc, ok := offsetZone(t); ok {
		return loc, nil
	}
	if !strings.ContainsAny(t, `\.`) && t[0] != '/' && len(t) <= maxCell {
		if loc, err := time.LoadLocation(t); err == nil {
			return loc, nil
		}
		if loc, err := time.LoadLocation(titled(t)); err == nil { // such as europe/berlin
			return loc, nil
		}
	}
	return nil, fmt.Errorf("%s is not a time zone: write %s", Quote(s), zoneExample)
}

// offsetZone reads UTC+2, utc-03:30, +02:00.
func offsetZone(t string) (*time.Location, bool) {
	if len(t) >= 3 && (strings.EqualFold(t[:3], "utc") || strings.EqualFold(t[:3], "gmt")) {
		t = trim(t[3:])
	}
	if len(t) < 2 || t[0] != '+' && t[0] != '-' {
		return nil, false
	}
	if h := t[1:]; len(h) == 1 || len(h) > 1 && h[1] == ':' {
		t = t[:1] + "0" + h
	}
	secs, ok := scanOffset(t)
	if !ok {
		return nil, false
	}
	if secs == 0 {
		return time.UTC, true
	}
	sign, abs := '+', secs
	if secs < 0 {
		sign, abs = '-', -secs
	}
	return time.FixedZone(fmt.Sprintf("UTC%c%02d:%02d", sign, abs/3600, abs/60%60), secs), true
}

// titled capitalizes a zone name as most are.
func titled(s string) string {
	b := []byte(strings.ToLower(s))
	up := true
	for i, c := range b {
		if up && 'a' <= c && c <= 'z' {
			b[i] = c - ('a' - 'A')
		}
		up = c == '/' || c == '_' || c == '-'
	}
	return string(b)
}

// localZone returns the name of this computer's zone, which package time does
// not tell.
func localZone() (*time.Location, error) {
	if tz, set := os.LookupEnv("TZ"); set {
		tz = strings.TrimPrefix(tz, ":")
		if tz == "" {
			return time.UTC, nil
		}
		if i := strings.LastIndex(tz, "zoneinfo/"); i >= 0 {
			tz = tz[i+len("zoneinfo/"):]
		}
		if loc, err := time.LoadLocation(tz); err == nil && tz != "Local" {
			return named(loc), nil
		}
		return nil, fmt.Errorf("this computer's time zone TZ=%s can't be used: name one, such as %s", tz, zoneExample)
	}
	if path, err := filepath.EvalSymlinks("/etc/localtime"); err == nil {
		if _, name, ok := strings.Cut(filepath.ToSlash(path), "zoneinfo/"); ok {
			if loc, err := time.LoadLocation(name); err == nil {
				return named(loc), nil
			}
		}
	}
	if name, err := os.ReadFile("/etc/timezone"); err == nil {
		if loc, err := time.LoadLocation(strings.TrimSpace(string(name))); err == nil {
			return named(loc), nil
		}
	}
	if time.Local.String() == "UTC" {
		return time.UTC, nil
	}
	return nil, fmt.Errorf("this computer's time zone has no usable name: name it, such as %s", zoneExample)
}

// named returns UTC, under one name, for all its spellings.
func named(loc *time.Location) *time.Location {
	switch loc.String() {
	case "Etc/UTC", "Etc/UCT", "Etc/Zulu", "Universal", "Zulu", "UCT", "":
		return time.UTC
	}
	return loc
}

// FormatTime returns t for people in loc, "2026-03-14 09:30", without seconds;
// sheets and JSON have RFC 3339.
func FormatTime(t time.Time, loc *time.Location) string {
	return t.In(loc).Format("2006-01-02 15:04")
}
