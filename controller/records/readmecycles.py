"""The parts of README.txt that say how a record is checked with a shell alone, and what each byte of its cycles is."""

from __future__ import annotations

CHAIN = r"""THE CHAIN
The last field of each row is the first 16 hex digits of the SHA-256 of: the chain value of the row before, then the
row's own text up to, not with, its last comma. In place of the value before the first row stands the same 16 digits of:
all bytes of run.json, then the header line without its line end. A changed, missing or moved row breaks the chain from
there on. A cut end shows only against summary.json, a printed page or another copy. Whoever can write files can also
make a whole new chain, and new hashes: only a page or a copy that others keep shows that: a record
is whole and untouched as far as its own hashes tell, and no further.

The lines below, saved as check.sh and run in this folder (sh check.sh), need a POSIX shell and sha256sum. They walk 200
to 500 rows a second: half a minute for a day; how far they are they say in lines that begin with "reading".
With summary.json they check every row of the tables and that none is missing at an end, run.json, cycles.bin,
README.txt and summary.json itself. Without it, as it has to be while a run is open, they check only that the rows which
are there follow from run.json and from each other: a cut end, cycles.bin and README.txt pass unchecked. A run that has
ended has its summary.json within the minute; without it the check fails. Never looked at are cycles.tail, and whether
what the files tell agrees.

----8<---- check.sh
for f in log.csv events.csv batteries.csv after.csv; do
  if [ ! -f "$f" ]; then
    grep -s -q "^  \"$f\": " summary.json || [ $f = log.csv ] || [ $f = events.csv ] &&
      { echo "$f: is missing"; exit 1; }
    continue
  fi
  echo "reading $f: $(( $(wc -l < "$f") )) lines"
  chain=$( { cat run.json; head -n 1 "$f" | tr -d '\n'; } | sha256sum | cut -c 1-16)
  row=0
  tail -n +2 "$f" | {
    while IFS= read -r line || [ -n "$line" ]; do
      row=$((row + 1))
      [ $((row % 500)) != 0 ] || echo "reading $f: row $row"
      hash=$(printf '%s%s' "$chain" "${line%,*}" | sha256sum)
      chain=${hash%"${hash#????????????????}"}
      [ "$chain" = "${line##*,}" ] || { echo "$f: row $row is not as it was written"; exit 1; }
    done
    [ ! -f summary.json ] || {
      grep -q "^  \"$f\": $row,*\$" summary.json &&
        { [ $row = 0 ] || grep -q "^  \"$f\": \"$chain\"" summary.json; }
    } || { echo "$f: does not end where summary.json says"; exit 1; }
    echo "$f: $row rows as they were written, last chain value $chain"
  } || exit 1
done
if [ ! -f summary.json ]; then
  for f in batteries.csv after.csv; do
    [ ! -f $f ] || { echo "summary.json: is missing, the run was closed: $f is there"; exit 1; }
  done
  { tail -n 1 log.csv | cut -d , -f 4; cut -d , -f 4,5 events.csv; } |
    grep -q -x -e complete -e stopped -e event,complete &&
    { echo "summary.json: is missing, and the run has ended"; exit 1; }
  echo "no summary.json: NOT checked are cycles.bin, README.txt, and whether rows are missing at an end"
  exit 0
fi
while read -r f key; do
  case $f in
    summary.json) found=$(sed '/^ "sha256": "/,$d' $f | sha256sum | cut -c 1-64) ;;
    *) found=$(sha256sum < "$f" | cut -c 1-64) ;;
  esac
  grep -q "^ \"$key\": \"$found\"" summary.json || { echo "$f: is not as it was written"; exit 1; }
  echo "$f: as it was written"
done <<END
summary.json sha256
run.json run_json_sha256
cycles.bin cycles_sha256
README.txt readme_sha256
END
----8<----
"""

CYCLES = """\
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
  entry; before the first entry all are empty. All moments are core time in ms.
    orders         what persons asked of the circuit in this cycle, accepted or not
    advice         comparisons with the released course and with sister circuits, made outside the decisions; they
                   can only warn: each code, value, limit
    blocked        who works on another string of this bath: "circuit by person"
    reactions      what the bath found that concerns each circuit: each code, reaction (0 none, 1 warn, 2 derate, 3
                   hold, 4 trip), value, limit, percent of the step's current it allows, A it allows, priority
    flow_lost_ms   since when no cooling flow is proved; null: it flows, or need not
    resume_for     the cause after which the first resume is for maintenance; empty: none
    alone          the circuit whose current begins alone, until alone_until_ms, so that crossed leads show
    permit_by      who has leave to open the hood for readings; empty: nobody
  Columns of whole numbers: now_ms, purge_left_ms, flags, then one descriptor for each value.
    now_ms         core time: elapsed_s is (now_ms - start_ms) / 1000, start_ms in run.json
    purge_left_ms  for how long air must still be proved before current may begin; 0: it was
  Columns of float64: share_A, stand_in_C, the command's set_current_A and voltage_limit_V, sisters_K, then each value's
  number.
    share_A        the most current that sharing the bath's power leaves to this circuit; without its flag: no limit
    stand_in_C     what stands in for the battery temperature while no probe is valid: the water and the median rise of
                   the sister circuits above it; without its flag: there is none
    sisters_K      how far the probes of the bath's running circuits moved in the last half hour, by their median;
                   without its flag: not known
  Values, in this order: current_A, voltage_V, set_current_A, set_voltage_V, output_on, local, fault_code, uptime_s,
  watchdog_s, counter_Ah, ripple_percent, the bath's water_C, then P probes.
  set_current_A, set_voltage_V and output_on among the values are what the device read back, not what was asked for.
  Descriptor: bit 0 the signal exists, bit 1 it has a number, bits 2-4 quality (0 good, 1 suspect, 2 lost, 3 stale,
  4 out of range, 5 frozen), from bit 5 on its age in ms: 0 was read in this cycle. Where bit 0 or bit 1 is 0 the number
  is 0.0 and says nothing. A number that is older than the stale time counts as stale, whatever its quality is here.
  Flags: bits 0-1 link (0 up, 1 late, 2 down, 3 wrong answer), bits 2-3 fit (0 ok, 1 not checked, 2 identity, 3 rating),
  then one bit each: hood closed, airflow proved, inputs good, emergency stop not pressed, command output on, command
  contactor closed, share_A exists, stand_in_C exists, contactors stay, gas ok, sisters_K exists, contactor read,
  contactor read as closed, command silent, permit for readings.
  Hood closed: or the bath has no such contact. Contactors stay: gas may be where they switch. Gas ok: hydrogen is below
  its warning level, or not measured. Silent: nothing was written, the device was in other hands. Permit: the hood may
  be open.
  Column of whole numbers: u8 tag, i64 first value; tag 0: all are equal to it; tags 1, 2, 3, 4: the steps from one to
  the next follow as i8, i16, i32, i64.
  Column of float64: u8 tag; 0: one float64, all are equal to it; 5: u16 unit, then a column of whole numbers w, the
  value is w * (1 / unit); 6: the same with w / unit; 7: all first bytes of the float64s, all second bytes, and so on.
"""
