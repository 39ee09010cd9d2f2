package main

import (
	"encoding/csv"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/xuri/excelize/v2"
)

// workbook is a command of the scripts: `workbook FILE SHEET.csv...` makes a
// workbook as somebody fills it in, a tab a sheet, numbers and dates as cells.
func workbook(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: workbook FILE SHEET.csv...")
	}
	f := excelize.NewFile()
	defer f.Close()
	for i, name := range args[1:] {
		tab := strings.TrimSuffix(filepath.Base(name), ".csv")
		if i == 0 {
			ts.Check(f.SetSheetName("Sheet1", tab))
		} else {
			_, err := f.NewSheet(tab)
			ts.Check(err)
		}
		rows, err := csv.NewReader(strings.NewReader(ts.ReadFile(name))).ReadAll()
		ts.Check(err)
		for y, row := range rows {
			for x, text := range row {
				cell, err := excelize.CoordinatesToCellName(x+1, y+1)
				ts.Check(err)
				var value any = text
				if v, err := strconv.ParseFloat(text, 64); err == nil {
					value = v
				} else if v, err := time.Parse("2006-01-02 15:04", text); err == nil {
					value = v
				}
				ts.Check(f.SetCellValue(tab, cell, value))
			}
		}
	}
	ts.Check(f.SaveAs(ts.MkAbs(args[0])))
}
