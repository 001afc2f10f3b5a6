"""Text of README.txt in every run folder: what a reader in thirty years needs, with nothing but this folder."""

from __future__ import annotations

from controller.records.readmecycles import CHAIN, CYCLES
from controller.records.readmewords import CODES, WORDS

_TITLE = "RECORD OF ONE FORMATION RUN\n"
_SIMULATED = """\
RECORD OF ONE SIMULATED FORMATION RUN

SIMULATED: all readings came from a virtual plant. No battery was there, and none may be judged by this record.
"""
_TABLES = """\
One profile on one circuit with one batch. This is a record of process control, not of a safety system.
Plain files: text is UTF-8, tables are CSV (RFC 4180 with LF line ends, never a line end inside a field), times are
ISO 8601 UTC with milliseconds. A missing value is empty, never 0. Text that a spreadsheet would take for a formula
begins with an apostrophe that is not part of it. Never save a table of this folder from a spreadsheet: some check
values look like numbers (8794654573905260, 123e4567), as do serials and times, and come out as others. Work on a copy,
and import these columns as text.

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
Any other file is no part of the record. An archived run is one zip file <folder>.zip that holds these files, each
inside a folder of the run's name.

KEYS OF run.json
format, core     of this file; number of the version of all decisions: only that version decides the cycles the same
versions         of the programs                         summary_format  the form of summary.json that this one writes
start_utc        wall time of the first moment           start_ms   core time then, at which elapsed time is 0: a
                 count of ms that nothing sets back; elapsed_s is (core time - start_ms) / 1000
hall, bath, circuit, batch   where it ran, and what      virtual    true: a simulated plant, no battery was there
load             what was loaded, as the decisions used it           load_list   the list as a person gave it
batteries        position in the string, from the plus end, from 1, batch, pallet, serial and type of each
links            places with a link, no battery
follow_on        continues = folder of the run that this one goes on with, first_step, credited_Ah = put in before,
                 owed_Ah; null: it begins by itself
orders           those that started the run
profile, bath_file, map, release   each with name, text and SHA-256 of the text as UTF-8; release null: none was needed
plan             the profile as it was compiled, its sha256 that of the profile's text
settings         all limits of bath and circuits in force; circuits, probes: how many battery probes each has. Which
                 signal of the device each is says the map (probe_C, probe_2_C and so on, in this order); which battery
                 it hangs on is not recorded, unless the text of bath_file tells it
layout           order of the fields in the lists of cycles.bin
A Plan elsewhere stands as {"known": 0}: the plan of this file.

COLUMNS OF log.csv
time_utc         wall time of the row
elapsed_s        time since the start of the run by the controller's own clock; gaps are part of it
step             number of the step after unrolling repeats
state            state of the circuit, a word of those below
set_current_A    current asked for; charge is positive
current_A        current read                           voltage_V   voltage of the string read
bath_C           water temperature the laws used        probe_C     hottest believed battery temperature, below;
                                                                    empty and without a mark: there is no probe
charge_Ah        charge read into the string            discharge_Ah  charge read out of it
energy_Wh        energy read into the string. All three are integrated from every reading; gaps are never filled
allowed_percent  what the temperature derate allows of the step's current; 100: no derate
quality          empty: all good; else like current_A=stale probe_C=lost. Only good and suspect numbers are printed.
                 suspect: of doubtful worth; lost: no sensor or no answer; stale: read too long ago, which a number
                 older than the stale time (run.json, settings, stale_ms) is here even where cycles.bin still calls it
                 good; out_of_range: beyond what it can be; frozen: it should have moved and did not
How charge is counted: a reading of current taken in its cycle, good or suspect, closes a straight line from the last
such one, if that is not older than the stale time; the area above zero is charge, below it discharge. Energy likewise,
above zero, from current times the newest volts. After a longer silence the line begins anew.
How a temperature is believed: of each probe those readings count that were taken in their cycle (age 0 in cycles.bin)
and are good or suspect. The first one is believed; after each further one, what is believed rises to the lower of the
last two readings, if that is higher, and falls to the highest of the last three, if that is lower. What was believed
and read before the first cycle, and before the first one after an interruption, stands in cycles.bin (start, probes:
believed_C, lately). probe_C is the highest of what is believed of those probes that have a good or suspect number, not
older than the stale time, in the row's own cycle; quality is that of the probe which shows it. One that stood still to
the last digit while it should have moved (alarm probe_frozen) counts as lost until its number changes. Where no probe
is left, the first one's quality says why. bath_C is believed in the same way of the bath's water sensors, before it
came to the circuit: cycles.bin has what came.
chain            check value, below

COLUMNS OF events.csv
time_utc, elapsed_s   as above                          id          of the order it belongs to, or of the event
kind             event, alarm, order, refusal           code        what happened, as a fixed word; of an alarm
                                                                    with what became of it: open_string:new; all of
                                                                    them stand at the end of this text
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
charge_Ah, discharge_Ah, energy_Wh   totals, unrounded, until zero was read back: what flowed after the end of the last
                 step is in them, and not in the event complete
cycles           number of cycles in cycles.bin
circuit, batch, batteries, profile, revision   what ran, and how many batteries at the end
start_utc, end_utc, duration_s   wall times; duration by the controller's own clock, gaps included
planned_Ah, owed_Ah   charge by the plan; added for interruptions      state    of the circuit at the end
unknown_gaps     gaps whose length nobody knows: duration_s and elapsed_s hold only some seconds for each
hottest_C, highest_V_per_cell   over the whole run      link_rides   link losses ridden through
trips            alarms that trip, told or not because another stood for them
battery_type, trial, follow_on, virtual   as in run.json; virtual true: a simulated plant, no battery was there
verdict_at_end   the verdict before the first sign-off
verdict          complete or ended by a person; after sign-off what followed from the outcomes
outcomes         batteries by their outcome             sign_offs   each sign-off in its order
signed_off_by, signed_off_role, signed_off_utc          of the newest one
rows, chain      of each table: number of rows, last check value
lost_cycles, lost_rows   what no disk took while the memory was full; 0: nothing
run_json_sha256, cycles_sha256, readme_sha256   SHA-256 of run.json, cycles.bin and README.txt
sha256           SHA-256 of all bytes of summary.json before the line that it stands in
A key that a record does not have says nothing. null: not known.
"""


def readme(*, virtual: bool) -> str:
    """The text for a run folder; `virtual`: a simulated plant, which its title says."""
    return "\n".join((_SIMULATED if virtual else _TITLE, _TABLES, WORDS, CHAIN, CYCLES, CODES))
