package main

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// No test keeps what it saw in the cache of whoever runs it.
func init() { keepFrom = math.MaxInt64 }

func TestMain(m *testing.M) {
	if filepath.Base(os.Args[0]) != "shedbook" { // what the tests record in this process is nobody's to undo
		cache, err := os.MkdirTemp("", "shedbook-cache")
		if err != nil {
			panic(err)
		}
		defer os.RemoveAll(cache)
		os.Setenv("XDG_CACHE_HOME", cache)
	}
	testscript.Main(m, map[string]func(){"shedbook": main})
}

// The scripts are read as a user would type them: commands, what comes back,
// the exit code, the files left behind. `! cmd` must fail; `code N cmd` must
// exit with code N.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "../../testdata/script",
		RequireExplicitExec: false,
		UpdateScripts:       os.Getenv("UPDATE_SCRIPTS") != "",
		Setup: func(e *testscript.Env) error {
			data, err := filepath.Abs("../../testdata")
			if err != nil {
				return err
			}
			e.Setenv("TESTDATA", data)
			e.Setenv("SHEDBOOK_BOOK", filepath.Join(e.WorkDir, "yard", "shedbook.db"))
			e.Setenv("SHEDBOOK_NOW", "2026-03-14T12:00:00Z")
			e.Setenv("TZ", "UTC")
			e.Setenv("HOME", e.WorkDir)
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"code": code, "workbook": workbook, "swap": swap},
	})
}
