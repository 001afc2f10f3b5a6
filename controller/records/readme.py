"""Text of README.txt in every run folder: what a reader in thirty years needs, with nothing but this folder."""

from __future__ import annotations

README = """\
RECORD OF ONE FORMATION RUN

One profile on one circuit with one batch. This is a record of process control, not of a safety system.
Plain files: text is UTF-8, tables are CSV (RFC 4180 with LF line ends, never a line end inside a field), times are
ISO 8601 UTC with milliseconds. A missing value is empty, never 0. Text that a spreadsheet would take for a formula
begins with an apostrophe that is not part of it.

run.json       written once, before the first row; keys below
log.csv        a row each logging interval and at each change that matters
events.csv     every event, alarm, order, refusal and reading
cycles.bin     what re-deciding needs: every cycle's input and command (below)
cycles.tail    only while the run is open, or after a crash: cycles that are not in a block of cycles.bin yet
batteries.csv  outcome of each battery, written at sign-off; where a battery has several rows, the last one holds
after.csv      readings that came after the run
summary.json   totals, verdict, number of rows, last chain values, hashes; written at the end, replaced when rows of
               batteries.csv or after.csv come; keys below
README.txt     this text
Any other file is no part of the record. An archived run is these files in one zip file named as the folder.

KEYS OF run.json
format, core     of this file; number of the version of all decisions: only that version decides the cycles the same
versions         of the programs                         summary_format  the form of summary.json that this one writes
start_utc        wall time of the first moment           start_ms   core time then, at which elapsed time is 0
hall, bath, circuit, batch   where it ran, and what      virtual    true: a simulated plant, no battery was there
load             what was loaded, as the decisions used it           load_list   the list as a person gave it
batteries        position, batch, pallet, serial and type of each     links       places with a link, no battery
follow_on        continues = folder of the run that this one goes on with, first_step, credited_Ah = put in before,
                 owed_Ah; null: it begins by itself
orders           those that started the run
profile, bath_file, map, release   each with name, text and SHA-256 of the text as UTF-8; release null: none was needed
plan             the profile as it was compiled, its sha256 that of the profile's text
settings         all limits of bath and circuits in force
layout           order of the fields in the lists of cycles.bin
A Plan elsewhere stands as {"known": 0}: the plan of this file.

COLUMNS OF log.csv
time_utc         wall time of the row
elapsed_s        time since the start of the run by the controller's own clock; gaps are part of it
step             number of the step after unrolling repeats
state            state of the circuit
set_current_A    current asked for; charge is positive
current_A        current read                           voltage_V   voltage of the string read
bath_C           water temperature the laws used        probe_C     hottest valid battery probe
charge_Ah        charge read into the string            discharge_Ah  charge read out of it
energy_Wh        energy read into the string. All three are integrated from every reading; gaps are never filled
allowed_percent  what the temperature derate allows of the step's current; 100: no derate
quality          empty: all good; else like current_A=stale probe_C=lost. Only good and suspect numbers are printed.
                 suspect: of doubtful worth; lost: no sensor or no answer; stale: read too long ago; out_of_range:
                 beyond what it can be; frozen: it should have moved and did not
How charge is counted: a reading of current taken in its cycle, good or suspect, closes a straight line from the last
such one, if that is not older than the stale time (run.json, settings, stale_ms); the area above zero is charge, below
it discharge. Energy likewise, above zero, from current times the newest volts. After a longer silence the line begins
anew.
chain            check value, below

COLUMNS OF events.csv
time_utc, elapsed_s   as above                          id          of the order it belongs to, or of the event
kind             event, alarm, order, refusal           code        what happened, as a fixed word; of an alarm
                                                                    with what became of it: open_string:new
target           circuit, bath or run                   who, role   person, and the role that allowed it
priority         of an alarm, 1 is the highest          value, limit, unit  what was compared; of a
                 reading, what was read and its unit (empty in records of before)
text             the same in words                      chain       check value, below
                 clock_step: the wall clock was set, time_utc jumps, elapsed_s does not. gap: nothing was read;
                 gap_unknown: for how long is not known

COLUMNS OF batteries.csv
position         in the string, from the plus end, from 1
batch, pallet, serial   as the load list gave them      ocv_V       open-circuit volts
ocv_age_h        hours from the last current to that reading        density     in kg/L at the reference temperature
density_C        that reference temperature             level       of the acid, as it was read
                 ocv_V, density and level are the newest readings after the last current; raw ones stand in events.csv
                 and after.csv
outcome          pass, re-form, rework or scrap         reason, text   why, as a word and in the person's words
chain            check value, below

COLUMNS OF after.csv
time_utc         when it was typed                      taken_utc   when it was read
position         in the string                          what        density, voltage, temperature, level, joint_mV
value, unit      as it was read                         temperature_C   of the battery then
instrument, who  with what, and by whom                 chain       check value, below

KEYS OF summary.json
format           of this file                           core        as in run.json
charge_Ah, discharge_Ah, energy_Wh   totals, unrounded  cycles      number of cycles in cycles.bin
circuit, batch, batteries, profile, revision   what ran, and how many batteries at the end
start_utc, end_utc, duration_s   wall times; duration by the controller's own clock, gaps included
planned_Ah, owed_Ah   charge by the plan; added for interruptions      state    of the circuit at the end
unknown_gaps     gaps whose length nobody knows: duration_s and elapsed_s hold only some seconds for each
hottest_C, highest_V_per_cell   over the whole run      trips, link_rides   how often; link losses ridden through
battery_type, trial, follow_on   as in run.json          verdict_at_end  the verdict before the first sign-off
verdict          complete or ended by a person; after sign-off what followed from the outcomes
outcomes         batteries by their outcome             sign_offs   each sign-off in its order
signed_off_by, signed_off_role, signed_off_utc          of the newest one
rows, chain      of each table: number of rows, last check value
lost_cycles, lost_rows   what no disk took while the memory was full; 0: nothing
run_json_sha256, cycles_sha256, readme_sha256   SHA-256 of run.json, cycles.bin and README.txt
sha256           SHA-256 of all bytes of summary.json before the line that it stands in
A key that a record does not have says nothing. null: not known.

THE CHAIN
The last field of each row is the first 16 hex digits of the SHA-256 of: the chain value of the row before, then the
row's own text up to, not with, its last comma. In place of the value before the first row stands the same 16 digits of:
all bytes of run.json, then the header line without its line end. A changed, missing or moved row breaks the chain from
there on. A cut end shows only against summary.json, a printed page or another copy. Whoever can write files can also
make a whole new chain, and new hashes: only a page or a copy that others keep shows that. "Whole, untouched" says no
more than this: as far as the record's own hashes tell. This checks all of it, in this folder:

----8<---- check.sh
for f in log.csv events.csv batteries.csv after.csv; do
  if [ ! -f "$f" ]; then
    grep -s -q "^  \\"$f\\": " summary.json && { echo "$f: is missing"; exit 1; }
    continue
  fi
  chain=$( { cat run.json; head -n 1 "$f" | tr -d '\\n'; } | sha256sum | cut -c 1-16)
  row=0
  tail -n +2 "$f" | {
    while IFS= read -r line || [ -n "$line" ]; do
      row=$((row + 1))
      chain=$(printf '%s%s' "$chain" "${line%,*}" | sha256sum | cut -c 1-16)
      [ "$chain" = "${line##*,}" ] || { echo "$f: row $row is not as it was written"; exit 1; }
    done
    [ ! -f summary.json ] || {
      grep -q "^  \\"$f\\": $row,*\\$" summary.json &&
        { [ $row = 0 ] || grep -q "^  \\"$f\\": \\"$chain\\"" summary.json; }
    } || { echo "$f: does not end where summary.json says"; exit 1; }
    echo "$f: $row rows as they were written, last chain value $chain"
  } || exit 1
done
[ -f summary.json ] || { echo "no summary.json: a cut end would not show"; exit 0; }
while read -r f key; do
  case $f in
    summary.json) found=$(sed '/^ "sha256": "/,$d' $f | sha256sum | cut -c 1-64) ;;
    *) found=$(sha256sum < "$f" | cut -c 1-64) ;;
  esac
  grep -q "^ \\"$key\\": \\"$found\\"" summary.json || { echo "$f: is not as it was written"; exit 1; }
  echo "$f: as it was written"
done <<END
summary.json sha256
run.json run_json_sha256
cycles.bin cycles_sha256
README.txt readme_sha256
END
----8<----

cycles.bin, cycles.tail
The first line is the text "formbath cycles 2". Frames follow; numbers are little-endian:
  4 bytes "FBcy"; u64 number of the frame's first cycle, from 0; u16 number of cycles; u16 zero; u32 length of the body;
  u32 CRC-32 (as in zlib) of all of this before it and of the body; the body, compressed by zlib (RFC 1950).
A frame of cycles.bin, a block, holds 360 cycles, fewer where the run was interrupted or ends. A frame of cycles.tail
holds what one commit found new; when the block is full and safe in cycles.bin, the tail begins anew. A frame of the
tail whose cycles are in cycles.bin already counts for nothing. After a crash blocks of the tail are moved behind
cycles.bin as they are; cycles that are missing there stay missing and keep their numbers.
Body: u16 number of probes P; u32 length of a JSON text; the text; then columns, each with one value a cycle.
  JSON: start = state before the first cycle (null in later frames of the tail), as lists in the order of run.json's
  layout, {"known": 0} in place of the plan in run.json; extras = [cycle within the frame, [orders, advice, blocked,
  reactions, flow_lost_ms, resume_for, alone, alone_until_ms, permit_by]], from that cycle on until the next
  entry; before the first entry all are empty.
  Columns of whole numbers: now_ms, purge_left_ms, flags, then one descriptor for each value.
  Columns of float64: share_A, stand_in_C, the command's set_current_A and voltage_limit_V, sisters_K, then each value's
  number.
  Values, in this order: current_A, voltage_V, set_current_A, set_voltage_V, output_on, local, fault_code, uptime_s,
  watchdog_s, counter_Ah, ripple_percent, the bath's water_C, then P probes.
  Descriptor: bit 0 the signal exists, bit 1 it has a number, bits 2-4 quality (0 good, 1 suspect, 2 lost, 3 stale,
  4 out of range, 5 frozen), from bit 5 on its age in ms.
  Flags: bits 0-1 link (0 up, 1 late, 2 down, 3 wrong answer), bits 2-3 fit (0 ok, 1 not checked, 2 identity, 3 rating),
  then one bit each: hood closed, airflow proved, inputs good, emergency stop not pressed, command output on, command
  contactor closed, share_A exists, stand_in_C exists, contactors stay, gas ok, sisters_K exists, contactor read,
  contactor read as closed, command silent, permit for readings.
  Column of whole numbers: u8 tag, i64 first value; tag 0: all are equal to it; tags 1, 2, 3, 4: the steps from one to
  the next follow as i8, i16, i32, i64.
  Column of float64: u8 tag; 0: one float64, all are equal to it; 5: u16 unit, then a column of whole numbers w, the
  value is w * (1 / unit); 6: the same with w / unit; 7: all first bytes of the float64s, all second bytes, and so on.
"""
