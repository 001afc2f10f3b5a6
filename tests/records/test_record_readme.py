"""README.txt: what a reader finds in it, and the check that it prints, run by a shell."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace

import pytest

from controller import words
from controller.core.alarmlife import TABLE
from controller.core.interlocks import BATH_LAWS, CIRCUIT_LAWS
from controller.core.planned import StepKind
from controller.core.types import Event, EventKind, Output, State
from controller.records import readmewords
from controller.records.cycles import Extras
from controller.records.plain import layout
from controller.records.readme import readme
from controller.records.run import RunRecord
from controller.records.tables import AFTER_COLUMNS, BATTERY_COLUMNS, EVENT_COLUMNS, LOG_COLUMNS
from controller.records.writer import Writer
from controller.verify.strangerows import strange_rows

README = readme(virtual=False)
WORD = re.compile(r"[A-Za-z_][A-Za-z0-9_.]*[A-Za-z0-9_]")
needs_sha256sum = pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum on this machine")


def listed(text=README):
    """The first word of each line that begins with a code, behind the heading of the codes."""
    return set(re.findall(r"^(\w+) ", text[text.index("CODES OF events.csv") :], re.MULTILINE))


def test_readme_tells_of_every_file_column_and_key(kept_run):
    """A reader in thirty years finds each column, each file, each key of run.json and summary.json in README.txt."""
    found = set(WORD.findall(README))
    columns = {*LOG_COLUMNS, *EVENT_COLUMNS, *BATTERY_COLUMNS, *AFTER_COLUMNS}
    keys = {*json.loads((kept_run / "run.json").read_text()), *json.loads((kept_run / "summary.json").read_text())}
    assert columns | keys | {path.name for path in kept_run.iterdir()} <= found
    assert {*layout(Extras)["Extras"]} <= found
    for text in (README, readme(virtual=True)):
        assert max(map(len, text.splitlines())) <= 120
        assert text.isascii()


def test_readme_explains_every_fixed_word():
    """States, outputs, kinds of steps, what becomes of an alarm: each has a line of its own with its meaning."""
    assert (set(readmewords.STATES), set(readmewords.OUTPUTS)) == (set(State), set(Output))
    assert set(readmewords.KINDS) == set(StepKind)
    lives = {word for _, word in TABLE.values() if word} | {"chattering", "steady"}
    assert set(readmewords.lives()) == lives
    for word in (*State, *Output, *StepKind, *lives):
        assert re.search(rf"^{word} {{2,}}\w", README, re.MULTILINE), word


def test_readme_lists_every_code_with_its_words():
    """Every code of an event, an order, an alarm and a refusal that this version can write stands in the list."""
    wanted = words.EVENTS.keys() | words.REFUSALS.keys() | words.ALARMS.keys()
    assert wanted - readmewords.SAID_OTHERWISE.keys() <= listed()
    assert not readmewords.SAID_OTHERWISE.keys() & listed()
    assert {law.code for law in (*CIRCUIT_LAWS, *BATH_LAWS)} <= listed()
    rows = [{"target": "A01", "kind": "event", "code": code} for code in readmewords.events()]
    assert strange_rows(rows, "A01", 4) == []
    told = README[README.index("CODES OF events.csv") :]
    for text in (
        "bath water {value} C, above {limit}",
        "zero read back, circuit is {state}",
        "not while it is {state}",
    ):
        assert text in re.sub(r"\s+", " ", told)
    assert re.search(r"^emergency_stop +1, trip: emergency stop; ", told, re.MULTILINE)
    assert "{value:" not in told


@pytest.mark.parametrize(
    ("key", "data"),
    [
        ("ticked", {"verb": "done", "item": 1, "ok": True}), ("crossed", {"verb": "done", "item": 1}),
        ("walked", {"verb": "done", "walk": 1, "ok": True}), ("walked_wrong", {"verb": "done", "walk": 1}),
        ("unblocked_by_another", {"verb": "unblock", "by": "bert", "who": "anna"}),
        ("round_skipped", {"skipped_text": "level"}), ("recounted_early", {"volts_fit": False}),
        ("gap_not_known", {"unknown": True}), ("horn_heard", {"ok": True}), ("horn_silent", {"ok": False}),
        ("read_back_zero", {"verb": "hold", "current_A": 0.1}),
        ("record_space_eased", {"value": 30.0, "limit": 24.0}), ("not_released_changed", {"why": "changed"}),
        ("not_released_loaded_without", {"why": "loaded_without"}), ("not_released_unreadable", {"why": "unreadable"}),
    ],
)  # fmt: skip
def test_other_words_stand_under_the_code_that_says_them(key, data):
    """Where a code has several sentences, each stands under the code that a row carries with it."""
    code = readmewords.SAID_OTHERWISE[key]
    refused = key in words.REFUSALS
    said = words.text(Event(code, "A01", EventKind.REFUSAL if refused else EventKind.EVENT, data))
    template = (words.REFUSALS if refused else words.EVENTS)[key]
    assert said.endswith(words.filled(template, data))
    assert readmewords._plain(template) in (readmewords.refusals() if refused else readmewords.events())[code][1:]


def test_no_other_words_are_left_out():
    """Each key that is not a code itself is one of those above: the lists hold every sentence of the catalogue."""
    for listed_, catalogue in ((readmewords.events(), words.EVENTS), (readmewords.refusals(), words.REFUSALS)):
        assert sum(map(len, listed_.values())) == len(catalogue)


def test_the_title_says_simulated_where_no_battery_was(rec, tmp_path, kept_run):
    """A virtual plant's record says so in its first line, a real one's does not; nothing else in the text differs."""
    assert "SIMULATED" in (kept_run / "README.txt").read_text().partition("\n")[0]
    writer = Writer()
    record = RunRecord.create(tmp_path, rec.start(settings=replace(rec.settings, virtual=False)), writer)
    record.release()
    assert writer.close()
    real = (record.folder / "README.txt").read_text()
    assert real == README
    assert "SIMULATED" not in real
    body = "One profile on one circuit"
    assert readme(virtual=True).partition(body)[2] == README.partition(body)[2]


def check(folder):
    """The lines between the marks, run in the folder; never one that is not told of on standard output."""
    script = re.split(r"----8<----.*\n", (folder / "README.txt").read_text(encoding="utf-8"))[1]
    return subprocess.run(
        ["/bin/sh", "-c", script], cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )


def said_by(done):
    """What was printed of files, without what tells how far it has come."""
    return [line for line in done.stdout.splitlines() if not line.startswith("reading ")]


@pytest.fixture(scope="module")
def closed(rec, tmp_path_factory):
    """A closed record with both later tables."""
    writer = Writer()
    loop, record = rec.begin(tmp_path_factory.mktemp("closed"), writer)
    rec.drive(record, loop, 20)
    record.add_later("batteries.csv", [1, "K1", "", "", 12.79, 14.0, 1.282, 25.0, "", "pass", "", ""])
    record.add_later("after.csv", ["2026-03-17T06:00:00.000Z", "", 1, "density", 1.28, "kg/L", 25.0, "", "anna"])
    record.close({})
    record.release()
    assert writer.close()
    return record.folder


@needs_sha256sum
def test_the_recipe_finds_what_verify_finds(closed, tmp_path):
    """With a shell alone: tables, run.json, cycles, README, the summary's own hash; each damage told by its file."""
    folder = shutil.copytree(closed, tmp_path / "run")
    done = check(folder)
    assert (done.returncode, done.stderr) == (0, "")
    assert [line.partition(":")[0] for line in said_by(done)] == [
        "log.csv", "events.csv", "batteries.csv", "after.csv", "summary.json", "run.json", "cycles.bin", "README.txt"
    ]  # fmt: skip
    for name, old, new in (
        ("batteries.csv", b"12.79", b"12.78"),
        ("after.csv", b"anna", b"bert"),
        ("summary.json", b'"lost_rows": 0', b'"lost_rows": 1'),
        ("cycles.bin", b"FBcy", b"FBcz"),
        ("README.txt", b"RECORD", b"Record"),
    ):
        whole = (folder / name).read_bytes()
        assert old in whole
        (folder / name).write_bytes(whole.replace(old, new, 1))
        done = check(folder)
        (folder / name).write_bytes(whole)
        assert done.returncode == 1
        assert done.stdout.splitlines()[-1].startswith(f"{name}: "), done.stdout


@needs_sha256sum
def test_the_recipe_finds_cut_ends_and_missing_tables(closed, tmp_path):
    """Against summary.json a cut end shows; a table that it knows and that is not there is told."""
    folder = shutil.copytree(closed, tmp_path / "run")
    lines = (folder / "log.csv").read_bytes().splitlines(keepends=True)
    (folder / "log.csv").write_bytes(b"".join(lines[:-1]))
    done = check(folder)
    assert done.returncode == 1
    assert said_by(done)[-1] == "log.csv: does not end where summary.json says"
    for name in ("log.csv", "batteries.csv"):
        (folder / name).unlink()
        done = check(folder)
        (folder / name).write_bytes((closed / name).read_bytes())
        assert (done.returncode, said_by(done)[-1]) == (1, f"{name}: is missing")


@needs_sha256sum
@pytest.mark.parametrize("kept", ["batteries.csv", "after.csv"])
def test_a_closed_record_without_its_summary_does_not_pass(closed, tmp_path, kept):
    """Tables that only an ended run has tell that summary.json was taken away; the check fails and says so."""
    folder = shutil.copytree(closed, tmp_path / "run")
    (folder / "summary.json").unlink()
    (folder / ("after.csv" if kept == "batteries.csv" else "batteries.csv")).unlink()
    done = check(folder)
    assert (done.returncode, done.stderr) == (1, "")
    assert said_by(done)[-1] == f"summary.json: is missing, the run was closed: {kept} is there"


@needs_sha256sum
@pytest.mark.parametrize("cut", [False, True])
def test_an_ended_run_without_its_summary_does_not_pass(rec, tmp_path, cut):
    """So do the rows of an end: the last state in log.csv, and, where that was cut off, the event of it."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer, charge_Ah=0.05)
    number = 0
    while loop.state.circuits[0].state is not State.COMPLETE:
        number += 1
        assert number < 100
        rec.record_cycle(record, loop, number, loop.cycle())
    rec.drive(record, loop, 10, first=1)
    record.release()
    assert writer.close()
    log = record.folder / "log.csv"
    lines = log.read_bytes().splitlines(keepends=True)
    assert b",complete," in lines[-1]
    if cut:
        log.write_bytes(lines[0] + b"".join(line for line in lines[1:] if b",running," in line))
    done = check(record.folder)
    assert (done.returncode, done.stderr) == (1, "")
    assert said_by(done)[-1] == "summary.json: is missing, and the run has ended"


@needs_sha256sum
def test_an_open_record_passes_and_says_what_is_not_checked(rec, tmp_path):
    """Without summary.json the rows follow from each other, and the check names what it cannot tell."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 60)
    assert writer.commit()
    folder = record.folder
    assert not (folder / "summary.json").exists()
    done = check(folder)
    assert (done.returncode, done.stderr) == (0, "")
    assert said_by(done)[-1] == (
        "no summary.json: NOT checked are cycles.bin, README.txt, and whether rows are missing at an end"
    )
    (folder / "README.txt").write_bytes(
        (folder / "README.txt").read_bytes().replace(b"\nREADME.txt  ", b"\nReadme.txt  ")
    )
    lines = (folder / "log.csv").read_bytes().splitlines(keepends=True)
    (folder / "log.csv").write_bytes(b"".join(lines[:-1]))
    assert check(folder).returncode == 0, "what the text says is true: such changes pass"
    (folder / "log.csv").unlink()
    done = check(folder)
    assert (done.returncode, said_by(done)) == (1, ["log.csv: is missing"])


@needs_sha256sum
def test_the_recipe_says_how_far_it_is(rec, tmp_path):
    """Before each table, and every 500 rows: half a minute without a word looks like a hanging shell."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    made = loop.cycle()
    for number in range(501):
        rec.record_cycle(record, loop, 10 * number, made)
    record.close({})
    assert writer.commit()
    done = check(record.folder)
    assert done.returncode == 0, done.stdout
    first, second = (line for line in done.stdout.splitlines() if line.startswith("reading log.csv"))
    assert first == f"reading log.csv: {(record.folder / 'log.csv').read_bytes().count(chr(10).encode())} lines"
    assert second == "reading log.csv: row 500"
