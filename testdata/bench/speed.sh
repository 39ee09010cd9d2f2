#!/usr/bin/env bash
# Measures the program on a hire chain of 1,000 machines and 1,000,000 runs, as
# ratios to SQLite's own shell doing the like in the same run, and prints the
# table that the contributors' guide quotes.
#
#   testdata/bench/speed.sh [ROUNDS] > testdata/bench/speed.txt
#
# Every command is run ROUNDS times (3 unless told), the program's and the
# shell's by turns, and the fastest of each is taken, since machines are noisy;
# beside the ratio of elapsed times stands that of processor times, which other
# work on the machine hardly changes. Needs sqlite3 and GNU time (Debian:
# sqlite3, time), some 2 GB of disk and ten minutes.
set -euo pipefail
cd "$(dirname "$0")/../.."
rounds=${1:-3}
work=$(mktemp -d "${TMPDIR:-/tmp}/shedbook-speed-XXXXXX")
trap 'rm -rf "$work"' EXIT
export XDG_CACHE_HOME=$work/cache SHEDBOOK_NOW=2026-12-01T12:00:00Z TZ=UTC
sb=$work/shedbook
go build -o "$sb" ./cmd/shedbook
mkdir "$work/sheets" "$work/empty"
"$sb" demo --large "$work/sheets" >&2
sheets=$work/sheets
words() { printf "'%s'" "$1"; shift; printf ",'%s'" "$@"; }

# m NAME COMMAND...: runs it once and notes elapsed seconds, processor seconds
# and the peak of memory in KiB.
m() {
	local name=$1; shift
	command time -f "%e %U %S %M" -o "$work/time" "$@" >"$work/out" 2>"$work/err" || { echo "$name failed: $*" >&2; tail -5 "$work/err" >&2; exit 1; }
	echo "$name $(tail -1 "$work/time")" >>"$work/noted"
	echo "$name $(tail -1 "$work/time")" >&2
}
best() { awk -v n="$1" -v c="$2" '$1 == n { v = c == "cpu" ? $3 + $4 : c == "mib" ? $5 / 1024 : $2; if (!k++ || (c == "mib" ? v > b : v < b)) b = v } END { printf "%.3f", b }' "$work/noted"; }
ratio() { awk -v a="$(best "$1" "$3")" -v b="$(best "$2" "$3")" 'BEGIN { printf "%.2f", a / b }'; }

# The plain table a user would make.
pragmas='PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA cache_size = -65536; PRAGMA foreign_keys = ON; PRAGMA temp_store = MEMORY;'
columns='ref TEXT, machine TEXT NOT NULL REFERENCES machines (machine), driver TEXT REFERENCES drivers (driver), start TEXT NOT NULL, hours TEXT, meter_out_h TEXT, meter_in_h TEXT, terrain TEXT CHECK (terrain IN ('$(words '' mud water dust sand gravel rock grass forest snow road)')), speed TEXT CHECK (speed IN ('$(words '' slow medium fast)')), "range" TEXT CHECK ("range" IN ('$(words '' low high)')), load TEXT CHECK (load IN ('$(words '' light heavy towing)')), ambient_c TEXT, note TEXT'
names="CREATE TABLE machines (machine TEXT PRIMARY KEY) STRICT; CREATE TABLE drivers (driver TEXT PRIMARY KEY) STRICT;
INSERT INTO drivers VALUES ('');"
cut -d, -f1 "$sheets/machines.csv" >"$work/machines.csv"
cut -d, -f1 "$sheets/drivers.csv" >"$work/drivers.csv"
namesIn=".mode csv
.import --skip 1 $work/machines.csv machines
.import --skip 1 $work/drivers.csv drivers"
plainSetUp() {
	rm -f "$work"/plain.db*
	sqlite3 "$work/plain.db" >/dev/null <<-Q
		$pragmas
		$names
		CREATE TABLE runs ($columns, UNIQUE (machine, ref)) STRICT;
		CREATE INDEX runs_life ON runs (machine, start);
		$namesIn
	Q
}
printf '%s\n.mode csv\n.import --skip 1 %s runs\n' "$pragmas" "$sheets/runs.csv" >"$work/plain.sql"

# The tightest that a skilled hand does.
tightSetUp() {
	rm -f "$work"/tight.db*
	sqlite3 "$work/tight.db" >/dev/null <<-Q
		$pragmas
		CREATE TABLE machines (number INTEGER PRIMARY KEY, machine TEXT NOT NULL UNIQUE) STRICT;
		CREATE TABLE drivers (number INTEGER PRIMARY KEY, driver TEXT NOT NULL UNIQUE) STRICT;
		CREATE TABLE words (number INTEGER PRIMARY KEY, word TEXT NOT NULL UNIQUE) STRICT;
		INSERT INTO words (word) VALUES $(for w in mud water dust sand gravel rock grass forest snow road slow medium fast low high light heavy towing; do printf "('%s')," $w; done | sed 's/,$//');
		CREATE TABLE runs (number INTEGER PRIMARY KEY, ref TEXT, machine INTEGER NOT NULL REFERENCES machines (number), driver INTEGER REFERENCES drivers (number), start TEXT NOT NULL, hours REAL, meter_out_h REAL, meter_in_h REAL, terrain INTEGER, speed INTEGER, "range" INTEGER, load INTEGER, ambient_c REAL, note TEXT) STRICT;
		CREATE TEMP TABLE m (machine TEXT); CREATE TEMP TABLE d (driver TEXT);
		.mode csv
		.import --skip 1 $work/machines.csv m
		.import --skip 1 $work/drivers.csv d
		INSERT INTO machines (machine) SELECT machine FROM m;
		INSERT INTO drivers (driver) SELECT driver FROM d;
	Q
}
cat >"$work/tight.sql" <<Q
$pragmas
CREATE TEMP TABLE staged (ref, machine, driver, start, hours, meter_out_h, meter_in_h, terrain, speed, "range", load, ambient_c, note);
.mode csv
.import --skip 1 $sheets/runs.csv staged
BEGIN;
INSERT INTO runs (ref, machine, driver, start, hours, meter_out_h, meter_in_h, terrain, speed, "range", load, ambient_c, note)
SELECT s.ref, m.number, d.number, s.start, nullif(s.hours, '') + 0.0, nullif(s.meter_out_h, '') + 0.0, nullif(s.meter_in_h, '') + 0.0,
  t.number, v.number, r.number, l.number, nullif(s.ambient_c, '') + 0.0, nullif(s.note, '')
FROM staged s JOIN machines m ON m.machine = s.machine LEFT JOIN drivers d ON d.driver = s.driver
  LEFT JOIN words t ON t.word = s.terrain LEFT JOIN words v ON v.word = s.speed LEFT JOIN words r ON r.word = s."range" LEFT JOIN words l ON l.word = s.load
ORDER BY m.number, s.start;
CREATE UNIQUE INDEX runs_ref ON runs (machine, ref);
CREATE INDEX runs_life ON runs (machine, start);
COMMIT;
Q

book=$work/yard.db
export SHEDBOOK_BOOK=$book
age() { touch -d '1 minute ago' "$1"; } # what was just written is not kept a glance of
for ((round = 0; round < rounds; round++)); do
	plainSetUp
	m plain sqlite3 "$work/plain.db" ".read $work/plain.sql"
	tightSetUp
	m tight sqlite3 "$work/tight.db" ".read $work/tight.sql"
	rm -f "$book"*
	"$sb" init --time-zone UTC >/dev/null
	"$sb" import "$sheets/machines.csv" "$sheets/drivers.csv" >/dev/null
	m import "$sb" import "$sheets/runs.csv"
	m again "$sb" import "$sheets/runs.csv"
done
[ "$(sqlite3 "$work/plain.db" 'SELECT count(*) FROM runs')" = 1000000 ] && [ "$(sqlite3 "$work/tight.db" 'SELECT count(*) FROM runs')" = 1000000 ] || { echo "the shell did not take in every run" >&2; exit 1; }

"$sb" import "$sheets" >/dev/null
# The same rows for the shell to write.
sqlite3 "$work/plain.db" >/dev/null <<Q
.mode csv
$(for s in machines drivers topups cleanings overheats; do echo ".import $sheets/$s.csv all_$s"; done)
Q
cat >"$work/export.sql" <<Q
.mode csv
.headers on
$(for s in machines drivers topups cleanings overheats; do echo ".once $work/empty/$s.csv"; echo "SELECT * FROM all_$s;"; done)
.once $work/empty/runs.csv
SELECT * FROM runs;
Q
for ((round = 0; round < rounds; round++)); do
	m shell-export sqlite3 "$work/plain.db" ".read $work/export.sql"
	rm -rf "$work/exported"
	m export "$sb" export "$work/exported"
	m shell-fleet sqlite3 "$work/plain.db" 'SELECT machine, count(*), sum(hours), max(start) FROM runs GROUP BY machine'
	rm -rf "$XDG_CACHE_HOME"
	age "$book"
	m fleet "$sb" fleet
	m fleet-kept "$sb" fleet
	m shell-rates sqlite3 "$work/plain.db" 'SELECT driver, speed, terrain, count(*), sum(hours) FROM runs GROUP BY driver, speed, terrain'
	m rates "$sb" rates --by driver --adjust speed,terrain
	m rates-kept "$sb" rates --by driver --adjust speed,terrain
	"$sb" log run M0400 --hours 1.5 --sure --driver 'driver 007' --terrain mud --at "2026-02-02 12:1$round" >/dev/null
	m fleet-after "$sb" fleet
	m rates-after "$sb" rates --by driver --adjust speed,terrain
	m coolant "$sb" coolant
	"$sb" log run M0400 --hours 1.5 --sure --driver 'driver 007' --terrain mud --at "2026-02-02 12:3$round" >/dev/null
	m coolant-after "$sb" coolant
	m cleaning "$sb" cleaning
	rm -rf "$XDG_CACHE_HOME"
	m flags "$sb" flags
done

# A tenth of the years.
export SHEDBOOK_BOOK=$work/tenth.db
"$sb" init --time-zone UTC >/dev/null
mkdir "$work/tenth"
for s in runs topups cleanings overheats; do
	awk -F, -v c=$([ $s = runs ] && echo 4 || echo 3) 'NR == 1 || $c < "2023-04-20"' "$sheets/$s.csv" >"$work/tenth/$s.csv"
done
cp "$sheets/machines.csv" "$sheets/drivers.csv" "$work/tenth"
"$sb" import "$work/tenth" >/dev/null
age "$SHEDBOOK_BOOK"
"$sb" fleet >/dev/null
for ((round = 0; round < 3 * rounds; round++)); do
	m tenth-kept "$sb" fleet
done
for ((round = 0; round < rounds; round++)); do
	rm -rf "$XDG_CACHE_HOME"
	m tenth "$sb" fleet
	"$sb" log run M0400 --hours 1.5 --sure --driver 'driver 007' --terrain mud --at "2023-04-19 12:1$round" >/dev/null
	m tenth-after "$sb" fleet
done

# One line at the counter, and the start of the program: many at a time.
export SHEDBOOK_BOOK=$book
mkdir "$work/hello"
printf 'package main\n\nfunc main() {}\n' >"$work/hello/main.go"
go build -o "$work/nothing" "$work/hello/main.go"
cat >"$work/many.sh" <<'Q'
what=$1; sb=$2; work=$3; base=$4 took=0
for ((i = 0; i < 100; i++)); do
	at="2026-0$((1 + (base + i) % 9))-1$((i % 10)) 0$((i / 10)):$((10 + base % 50)):$((10 + i % 50))"
	case $what in
	log) "$sb" log run M0500 --hours 1.5 --sure --driver 'driver 007' --terrain mud --at "$at" ;;
	log-said) # until it says that the record is kept; what it changed is said after
		from=$(date +%s%N)
		read -r said < <("$sb" log run M0501 --hours 1.5 --sure --driver 'driver 007' --terrain mud --at "$at")
		took=$((took + $(date +%s%N) - from))
		wait $!
		case $said in recorded*) ;; *) exit 1 ;; esac
		;;
	shell-log) sqlite3 "$work/plain.db" "PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; INSERT INTO runs (ref, machine, driver, start, hours, terrain) VALUES ('n$base-$i', 'M0500', 'driver 007', '$at', '1.5', 'mud')" ;;
	help) "$sb" --help ;;
	nothing) "$work/nothing" ;;
	esac
done
echo "$took"
Q
for ((round = 0; round < 2 * rounds; round++)); do
	for what in shell-log log nothing help; do
		m $what bash "$work/many.sh" $what "$sb" "$work" $round
	done
	m log-said bash "$work/many.sh" log-said "$sb" "$work" $round
	echo "log-until-said $(tail -1 "$work/out" | awk '{ printf "%.3f", $1 / 1e9 }') 0 0 0" >>"$work/noted"
done

line() { printf '| %s | %s | %s | %s | %s | %s | %s |\n' "$1" "$(best "$2" wall)" "$(best "$3" wall)" "$(ratio "$2" "$3" wall)" "$(ratio "$2" "$3" cpu)" "$4" "$(best "$2" mib | sed 's/\..*//')"; }
alone() { printf '| %s | %s | | | | %s | %s |\n' "$1" "$(best "$2" wall)" "$3" "$(best "$2" mib | sed 's/\..*//')"; }
cat <<Q
Speed and size on 1,000 machines, 300 drivers and 1,000,000 runs.
Printed on $(date +%F) by: testdata/bench/speed.sh $rounds
sqlite3 $(sqlite3 --version | cut -d' ' -f1), $(go version | cut -d' ' -f3), $(nproc) processors, load $(cut -d' ' -f1 /proc/loadavg); the fastest of $rounds rounds. The program uses
several processors where the shell uses one, so the ratio of processor times may stand above that of elapsed ones.

| what | s | reference, s | ratio | of processor time | to reach | MiB |
|---|---|---|---|---|---|---|
Q
line "import of the runs, against the shell's .import into a plain table" import plain 0.40
line "the same, against staged rows joined into integer keys" import tight 0.70
line "the same sheet again, against the first import" again import 0.40
line "export of everything, against .mode csv of the same rows" export shell-export 1.00
printf "| 100 times log run until it says that it is kept, against the shell's INSERT | %s | %s | %s | | 1.40 | |\n" "$(best log-until-said wall)" "$(best shell-log wall)" "$(ratio log-until-said shell-log wall)"
line "100 times log run to its end" log shell-log 1.40
line "fleet, nothing kept, against grouping the runs by machine" fleet shell-fleet 0.15
line "fleet, after one more run was logged" fleet-after shell-fleet 0.15
line "fleet, nothing written since the last" fleet-kept shell-fleet 0.15
line "rates --by driver --adjust speed,terrain, nothing kept, against grouping by these" rates shell-rates 0.50
line "the same, after one more run was logged" rates-after shell-rates 0.50
line "the same, nothing written since the last" rates-kept shell-rates 0.50
line "fleet, ten times the years, nothing kept, against a tenth" fleet tenth 1.20
line "fleet, ten times the years, after one more run was logged, against a tenth" fleet-after tenth-after 1.20
line "fleet, ten times the years, nothing written since, against a tenth" fleet-kept tenth-kept 1.20
line "100 times --help, against a program that does nothing" help nothing 2.50
alone "flags, the whole fleet" flags "3 s, 300 MiB"
alone "coolant, the whole fleet, nothing kept" coolant "3 s, 300 MiB"
alone "coolant, after one more run was logged" coolant-after "3 s, 300 MiB"
alone "cleaning, the whole fleet" cleaning "3 s, 300 MiB"
