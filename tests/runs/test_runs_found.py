"""The list of runs: what is found, what each line says, chains of runs, filters."""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import inventedrun as invented
import pytest

from controller.core.interlocks import BATH_LAWS, CIRCUIT_LAWS
from controller.records.finding import Standings, run_paths
from controller.records.trips import is_derate, is_trip
from controller.runs import commands as runscmd
from controller.runs import seen as listing
from controller.runs.archive import archive_run
from controller.runs.figures import HEADER
from controller.runs.follow import chains_of
from controller.runs.runslines import HEADER as LIST
from controller.runs.runslines import cut, line
from controller.runs.seen import look
from controller.service.counted import counted
from profiles.problems import InputError

AMONG = '"a,alarm,b"'
"""A text that makes any row look like an alarm at first sight."""


def command(*words) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    runscmd.add_arguments(parser)
    return parser.parse_args([str(word) for word in words])


def front_door(*words) -> subprocess.CompletedProcess[str]:
    door = Path(__file__).parents[2] / "formbath.py"
    return subprocess.run([sys.executable, door, *words], capture_output=True, text=True, check=False, timeout=60)


def said(capsys, *words) -> list[str]:
    assert runscmd.run(command(*words)) == 0
    return capsys.readouterr().out.splitlines()


def objects(capsys, *words) -> list[dict]:
    return [json.loads(text) for text in said(capsys, *words, "--json")]


def seen(runs):
    standings = Standings()
    return [look(path, standings.of(path.parent).open) for path in run_paths([runs])]


def zipped(folder, *, keep=False):
    archive_run(folder, keep=keep)
    return folder.with_name(f"{folder.name}.zip")


@pytest.mark.parametrize("name", ["runs", "export"])
def test_help_fits_a_terminal_and_shows_two_examples(name):
    """The sentence, two examples as one would type them; no line is wider than 80 columns."""
    done = front_door(name, "-h")
    assert (done.returncode, done.stderr) == (0, "")
    assert len([text for text in done.stdout.splitlines() if text.startswith(f"  formbath {name} ")]) == 2
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_the_help_defines_every_column_of_list_and_table():
    """Whoever reads the table finds there what each figure is made of."""
    told = front_door("runs", "-h").stdout
    assert all(f"\n  {column} " in told for column in HEADER.split(",")[4:])
    assert all(f"\n  {column} " in told for column in LIST.split()[2:])
    assert "chain values of a log" in told


def test_a_line_says_what_stands_in_the_record_within_80_columns(tmp_path, capsys):
    """Start, bath and circuit, batch, profile, hours, Ah, how it ended: one line of a record, exactly."""
    invented.make(tmp_path, profile="starter 60 Ah, one-shot, 18 h")
    lines = said(capsys, tmp_path)
    assert lines == [
        " start, UTC       circuit  batch    profile     hours     Ah stands     de tr al",
        " 2026-03-16 06:00 A/A01    K1       starter 6~   4:00   30.0 complete    -  -  -",
    ]
    assert max(map(len, lines)) == 80


def test_runs_are_sorted_by_start_folders_and_archives_alike(tmp_path, capsys):
    """An archived run stands in the list as its folder did, between the others."""
    late, early = invented.make(tmp_path, "2026-03-18T06:00"), invented.make(tmp_path, "2026-03-14T06:00")
    zipped(invented.make(tmp_path, "2026-03-16T06:00"))
    found = objects(capsys, tmp_path)
    assert [one["start_utc"][:10] for one in found] == ["2026-03-14", "2026-03-16", "2026-03-18"]
    assert [one["archived"] for one in found] == [False, True, False]
    assert [one["path"] for one in found][::2] == [str(early), str(late)]
    assert found[1]["charge_Ah"] == 30.0


def test_cycles_are_never_read(tmp_path):
    """A pipe in the place of cycles.bin would let a reader wait for ever or find it wrong."""
    folder = invented.make(tmp_path)
    (folder / "cycles.bin").unlink()
    os.mkfifo(folder / "cycles.bin")
    (one,) = seen(tmp_path)
    assert one.wrong == ()


def test_numbered_folders_of_demos_are_looked_into_but_no_deeper(tmp_path):
    """demo-runs/N/ hold runs; what lies deeper, hidden, or was left half archived is none."""
    wanted = [invented.make(tmp_path / number) for number in ("1", "2")]
    invented.make(tmp_path / "1" / "old" / "deep")
    invented.make(tmp_path / ".hidden")
    (tmp_path / "1" / "20260316T060000Z-A-A09-K1.zip.new").mkdir()
    assert run_paths([tmp_path]) == wanted
    assert run_paths([wanted[0], tmp_path / "1"]) == [wanted[0]]


def test_a_run_counts_once_whatever_ways_lead_to_it(tmp_path, capsys, monkeypatch):
    """Named twice, with dots, relative, through a link: one run, in the list as in the table."""
    runs = tmp_path / "runs"
    folder, other = invented.make(runs), zipped(invented.make(runs, "2026-03-18T06:00"))
    (tmp_path / "link").symlink_to(runs)
    monkeypatch.chdir(tmp_path)
    ways = (runs, runs / ".." / "runs", "runs", "link", folder, f"link/{folder.name}", other, f"runs/{other.name}")
    assert len(objects(capsys, *ways)) == 2
    assert said(capsys, "--table", *ways) == said(capsys, "--table", runs)
    assert run_paths([Path("link")]) == [Path("link") / folder.name, Path("link") / other.name]


def test_links_below_are_left_out_and_said(tmp_path, capsys):
    """A link could lead round in a circle, or make two runs of one; who wants what it leads to names that."""
    runs, folder = tmp_path / "runs", invented.make(tmp_path / "elsewhere")
    mine, packed = invented.make(runs, "2026-03-18T06:00"), zipped(invented.make(runs, "2026-03-19T06:00"))
    links = {"20260101T000000Z-link": mine, "loop": runs, "more": folder.parent, "x.zip": packed}
    for name, target in links.items():
        (runs / name).symlink_to(target)
    (runs / "dead").symlink_to(tmp_path / "nowhere")
    assert len(objects(capsys, runs)) == 2
    assert runscmd.run(command(runs)) == 0
    err = capsys.readouterr().err.splitlines()
    assert err[:-1] == [f"{runs / name}: left out, it is a link: name what it leads to" for name in links]
    assert run_paths([runs / "more"]) == [runs / "more" / folder.name]
    assert run_paths([runs / "20260101T000000Z-link"]) == [runs / "20260101T000000Z-link"]


def test_links_that_lead_nowhere_stop_nothing(tmp_path, capsys):
    """To itself, to a name that no system takes, here and one folder deeper: the run beside them is found."""
    runs = tmp_path / "runs"
    invented.make(runs)
    invented.state(runs, "A", {})
    (runs / "deeper").mkdir()
    for place in (runs, runs / "deeper", runs / "A"):
        for name in ("20260101T000000Z-round", "round", "round.zip"):
            (place / name).symlink_to(name)
        for name in ("20260101T000000Z-long", "long", "long.zip"):
            (place / name).symlink_to("x" * 3_000)
    assert len(objects(capsys, runs)) == len(said(capsys, "--table", runs)) - 1 == 1
    assert runscmd.run(command(runs, "--archive", "--dry-run")) == 1
    assert "Errno" not in capsys.readouterr().err
    standing = Standings().of(runs)
    assert (standing.problems, standing.baths) == ({}, 1)
    for named in (runs / "round", runs / "long", runs / ("y" * 3_000)):
        with pytest.raises(InputError, match=r": (cannot be read: \w+|there is no such folder)") as wrong:
            runscmd.run(command(named))
        assert "Errno" not in str(wrong.value)


def test_other_archives_are_no_runs_but_a_renamed_run_is(tmp_path):
    """A backup that somebody put there is not listed; a run counts by its run.json or by its name's beginning."""
    with zipfile.ZipFile(tmp_path / "backup.zip", "w") as archive:
        archive.writestr("backup/notes.txt", "x")
    (tmp_path / "odd.zip").write_bytes(b"no archive")
    (tmp_path / "20260316T060000Z-A-A01-K9.zip").write_bytes(b"no archive")
    renamed = zipped(invented.make(tmp_path, name="renamed"))
    assert run_paths([tmp_path]) == [tmp_path / "20260316T060000Z-A-A01-K9.zip", renamed]
    assert run_paths([tmp_path / "odd.zip"]) == [tmp_path / "odd.zip"]


def test_of_folder_and_archive_the_folder_counts_while_it_has_its_run_json(tmp_path):
    """Both stand there after an interrupted archiving: the folder is read, but not what is left without run.json."""
    folder = invented.make(tmp_path)
    archive = zipped(folder, keep=True)
    assert run_paths([tmp_path]) == [folder]
    (folder / "run.json").unlink()
    assert run_paths([tmp_path]) == [archive]
    archive.unlink()
    assert run_paths([tmp_path]) == [folder]


@pytest.mark.parametrize(
    ("file", "data", "what"),
    [
        ("run.json", b"", "run.json is empty"),
        ("run.json", b"[1, 2", "run.json: is not readable"),
        ("run.json", b"[" * 100_000, "run.json: is not readable"),
        ("run.json", b'{"format": "formbath/run/1"}', "run.json: is not the one summary.json was written for"),
        ("summary.json", b"{", "summary.json: is not readable"),
        ("events.csv", b"x,y\n", "events.csv:1: the header is not"),
    ],
)
def test_a_broken_folder_is_one_line_and_never_an_exception(tmp_path, capsys, file, data, what):
    """Whatever stands in a file, the other run is listed, and this one says in a word that it is damaged."""
    invented.make(tmp_path, "2026-03-17T06:00")
    (invented.make(tmp_path) / file).write_bytes(data)
    lines = said(capsys, tmp_path)
    assert len(lines) == 3
    assert "damaged" in lines[1]
    assert lines[2].split()[-4:] == ["complete", "-", "-", "-"]
    assert max(map(len, lines)) <= 80
    (one,) = (one for one in objects(capsys, tmp_path) if one["wrong"])
    assert one["wrong"][0].startswith(what)


@pytest.mark.parametrize(("closed", "how"), [(True, "is missing, summary.json knows it"), (False, "is missing")])
def test_a_missing_table_is_called_missing(tmp_path, closed, how):
    """Not a wrong header: whoever looks for the reason looks for the file. Once."""
    (invented.make(tmp_path, closed=closed, name="one") / "events.csv").unlink()
    (one,) = seen(tmp_path)
    assert one.wrong == (f"events.csv: {how}",)


@pytest.mark.parametrize("name", ["run.json", "summary.json", "events.csv"])
def test_a_file_that_is_absurdly_large_is_not_looked_into(tmp_path, monkeypatch, name):
    """A list of runs fills no memory, whatever stands in a folder."""
    folder = invented.make(tmp_path)
    monkeypatch.setattr(listing, "LARGEST", 1_000_000)
    with (folder / name).open("ab") as file:
        file.truncate(1_000_001)
    (one,) = seen(tmp_path)
    assert one.wrong == (f"{name}: is larger than 1 MB, a list does not look into it",)


def test_odd_values_in_run_json_are_no_values(tmp_path):
    """Numbers that are none, texts that are lists, times that cannot be: the run is listed without them."""
    folder = invented.make(tmp_path, closed=False, name="odd")
    head = json.loads((folder / "run.json").read_text())
    head |= {"start_utc": "9999-99-99", "batch": ["K1"], "load": {"batteries": -1, "credited_Ah": 1e400}, "plan": 7}
    (folder / "run.json").write_text(json.dumps(head))
    (one,) = seen(tmp_path)
    assert (one.start_ms, one.batch, one.batteries, one.credited_Ah, one.profile) == (None, "", None, 0.0, "")


def test_text_from_a_record_cannot_write_to_the_terminal(tmp_path, capsys):
    """Escapes, line ends, directions and formulas in names are gone; wide letters do not push the columns."""
    invented.make(tmp_path, batch="\x1b[31m\nK\u202e1", profile="\u96fb\u6c60" * 20, name="20260316T060000Z-odd")
    invented.make(tmp_path, "2026-03-17T06:00", batch="=1+1")
    lines = said(capsys, tmp_path)
    assert len(lines) == 3
    assert not any(ord(letter) < 32 or letter == "\u202e" for text in lines for letter in text)
    assert lines[1][26:35] == " [31m K 1"
    assert "'=1+1" in lines[2]
    (tmp_path / "20260316T070000Z-\x1b[2J\n\udcff").mkdir()
    named(tmp_path, "c\x1b", 18, "b")
    lines = said(capsys, tmp_path)
    assert lines[2] == " 2026-03-16 07:00 damaged: 20260316T070000Z-?[2J ?: run.json is missing"
    assert lines[5] == "    a gap: c? continues b, which is not here"
    assert cut("\u96fb\u6c60\u96fb", 4) == "\u96fb~ "
    assert cut("\u96fb\u6c60", 4) == "\u96fb\u6c60"


def test_open_is_what_a_service_has_open_and_unclosed_what_nobody_has(tmp_path, capsys, served):
    """Without a summary the bath's state.json decides; hours and Ah then come from the last whole row."""
    name = invented.make(tmp_path, closed=False).name
    other = invented.make(tmp_path, "2026-03-17T06:00", closed=False, circuit="A02")
    with (other / "log.csv").open("ab") as file:
        file.write(b"2026-03-17T11:00:00.000Z,18000.000,1,run")
    invented.state(tmp_path, "A", {"A01": name})
    served(tmp_path / "A")
    first, second = said(capsys, tmp_path)[1:]
    assert first.split()[-6:] == ["4:00", "30.0", "open", "-", "-", "-"]
    assert second.split()[-6:] == ["4:00", "30.0", "unclosed", "-", "-", "-"]
    assert [one["run"] for one in objects(capsys, tmp_path, "--open")] == [name]


def test_alarms_open_at_the_end_are_those_whose_cause_had_not_gone(tmp_path):
    """An alarm that returned is not open; one that came again, or was shelved, is; silent ones did not come."""
    moment = invented.at("2026-03-16T07:00")
    lives = (
        "a:new",
        "a:returned",
        "b:new",
        "b:returned",
        "b:new",
        "c:new",
        "c:shelved",
        "d:new_suppressed",
        "d:returned",
    )
    silent = ("f:new", "f:shelved", "f:returned", "f:unshelved")
    events = [invented.event(moment, "alarm", code) for code in (*lives, *silent)]
    events.append(invented.event(moment, "event", "e:new"))
    invented.make(tmp_path, events=events)
    (one,) = seen(tmp_path)
    assert (one.alarms, one.open_alarms) == (5, ("b", "c"))
    assert line(one).endswith(" complete    -  -  2")


def test_signed_off_runs_show_how_many_batteries_passed(tmp_path, capsys):
    """The outcome stands in the place of the state; a later row of a battery replaces its earlier one."""
    folder = invented.make(tmp_path, batteries=3, outcomes=("pass", "re-form", "pass"))
    assert said(capsys, tmp_path)[1].split()[-5:] == ["2/3", "pass", "-", "-", "-"]
    run_json = (folder / "run.json").read_bytes()
    rows = [f"{position},K1,,,,,,,,{one},," for position, one in ((1, "pass"), (2, "re-form"), (2, "pass"), (3, ""))]
    (folder / "batteries.csv").write_bytes(invented.chained(invented.BATTERIES, rows, run_json))
    (one,) = objects(capsys, tmp_path)
    assert one["outcomes"] == {"pass": 2}


def test_damaged_small_tables_are_told_and_an_unfinished_last_row_only_when_closed(tmp_path):
    """A changed cell breaks the chain; a half row is what an open run's writer leaves behind it for a moment."""
    folder = invented.make(tmp_path, events=[invented.event(invented.at("2026-03-16T07:00"), "event", "x")])
    with (folder / "events.csv").open("ab") as file:
        file.write(b"2026")
    assert seen(tmp_path)[0].wrong == ("events.csv: row 2 is unfinished: the last 4 bytes are left out",)
    (folder / "summary.json").unlink()
    assert seen(tmp_path)[0].wrong == ()
    data = (folder / "events.csv").read_bytes().replace(b"anna", b"otto")
    (folder / "events.csv").write_bytes(data)
    assert seen(tmp_path)[0].wrong[0].startswith("events.csv:2: row 1 is not as it was written")


def strung(*batches: str) -> dict:
    """What run.json says of a string that holds several batches."""
    return {"batteries": [{"position": n, "batch": batch} for n, batch in enumerate(batches, 1)]}


def test_a_run_is_found_by_every_batch_in_its_string(tmp_path, capsys):
    """Seven of eighteen batteries are K3108: asked for, their run is there; the list has a plus for them."""
    folder = invented.make(tmp_path, batch="K3107", head=strung(*["K3107"] * 11, *["K3108"] * 7))
    invented.make(tmp_path, "2026-03-17T06:00", batch="K3107-long", head=strung("K3107-long", "K2"))
    invented.make(tmp_path, "2026-03-18T06:00", batch="K1", head={"load_list": "K1:1-2 K9:3"})
    assert [one["run"] for one in objects(capsys, tmp_path, "--batch", "k3108")] == [folder.name]
    assert [one["batches"] for one in objects(capsys, tmp_path)] == [
        ["K3107", "K3108"], ["K3107-long", "K2"], ["K1", "K9"],
    ]  # fmt: skip
    lines = said(capsys, tmp_path)
    assert [text[27:35] for text in lines[1:]] == ["K3107+  ", "K3107-~+", "K1+     "]
    assert len(lines[1]) == len(lines[0]) == 80


def test_a_simulated_run_is_marked_wherever_it_is_listed(tmp_path, capsys):
    """Before its line, in the last line, in the objects: nobody takes it for one with batteries."""
    first = invented.make(tmp_path, head={"virtual": True}, end="stopped")
    invented.make(
        tmp_path, "2026-03-17T06:00", head={"virtual": True}, load={"continues": first.name, "credited_Ah": 30.0}
    )
    invented.make(tmp_path, "2026-03-18T06:00", head={"virtual": "yes"})
    assert runscmd.run(command(tmp_path)) == 0
    out, err = capsys.readouterr()
    assert [text[0] for text in out.splitlines()[1:] if "A/A01" in text] == ["s", "S", " "]
    assert err == "3 of 3 runs, 2 simulated (s); chain values not checked, formbath verify does\n"
    assert [one["virtual"] for one in objects(capsys, tmp_path)] == [True, True, False]
    summary = tmp_path / "20260318T060000Z-A-A01-K1" / "summary.json"
    summary.write_text(json.dumps({**json.loads(summary.read_text()), "virtual": True}))
    assert [one["virtual"] for one in objects(capsys, tmp_path)] == [True, True, True]


def test_a_run_that_tripped_shows_it_though_it_ended_complete(tmp_path, capsys):
    """Trips as the summary counts them, however many events say otherwise; rides come from it alone."""
    moment = invented.at("2026-03-16T07:00")
    events = [invented.event(moment, "event", "tripped"), invented.event(moment, "alarm", "voltage_trip:new"),
              invented.event(moment, "event", "tripped"), invented.event(moment, "order", "tripped"),
              invented.event(moment, "alarm", "probe_derate:new")]  # fmt: skip
    folder = invented.make(tmp_path, events=events)
    summary = json.loads((folder / "summary.json").read_text())
    for told, trips in ((4, 4), (0, 0), (None, 1), ("4", 1), (-1, 1), (True, 1), (1.5, 1)):
        (folder / "summary.json").write_text(json.dumps({**summary, "link_rides": 3, "trips": told}))
        (one,) = objects(capsys, tmp_path)
        assert (one["trips"], one["derates"], one["link_rides"], one["alarms"]) == (trips, 1, 3, 2), told
    assert said(capsys, tmp_path)[1].endswith(" complete    1  1  2")
    (folder / "summary.json").write_text(json.dumps(summary))
    assert objects(capsys, tmp_path)[0]["link_rides"] is None


def test_without_a_summary_trips_are_counted_as_a_service_counts_them(tmp_path):
    """Alarms that came and trip, told or silent: of one event `tripped` with two causes there are two trips."""
    moment = invented.at("2026-03-16T07:00")
    codes = ("voltage_trip:new", "voltage_trip:returned", "voltage_trip:acknowledged", "probe_trip:new_suppressed",
             "probe_hold:new", "no_such_law:new", "probe_derate:new", "probe_derate:returned",
             "probe_derate:new_silent", "probe_lost:new", "voltage_trip", ":new")  # fmt: skip
    events = [invented.event(moment, "event", "tripped"), invented.event(moment, "event", "probe_trip:new", text=AMONG)]
    events += [invented.event(moment, "alarm", code) for code in codes]
    folder = invented.make(tmp_path, events=events, closed=False)
    (one,) = seen(tmp_path)
    assert (one.trips, one.derates, one.alarms) == (2, 3, 6)
    assert one.trips == counted(folder).trips
    assert line(one).endswith(" unclosed    3  2  6")


def test_what_trips_and_what_reduces_are_the_laws_reactions():
    """Every law there is: of each reaction, no other is taken for a trip or a derate."""
    for law in (*CIRCUIT_LAWS, *BATH_LAWS):
        assert is_trip(f"{law.code}:new") is (law.reaction == 4)
        assert is_derate(f"{law.code}:new_silent") is (law.reaction == 2)
        assert not is_trip(f"{law.code}:returned")
        assert not is_derate(f"{law.code}:returned")


@pytest.mark.parametrize(
    ("charge_Ah", "told"),
    [(0.0, "   0.0"), (9_999.94, "9999.9"), (9_999.95, " 10000"), (999_999.4, "999999"), (None, "     ?")],
)
def test_charge_keeps_its_six_columns(tmp_path, charge_Ah, told):
    """The longest charge of a string of the largest batteries moves no column behind it."""
    invented.make(tmp_path)
    (one,) = seen(tmp_path)
    text = line(replace(one, charge_Ah=charge_Ah))
    assert (len(text), text[53:61]) == (80, f" {told} ")


def test_filters_choose_runs(tmp_path, capsys):
    """Type, batch, circuit, bath, days, verdict: each alone takes the runs it names and no other."""
    invented.make(tmp_path, "2026-03-14T23:59", batch="K1", kind="S60")
    invented.make(tmp_path, "2026-03-15T00:00", batch="K2", circuit="A02", end="stopped")
    invented.make(tmp_path, "2026-03-16T06:00", batch="K3", bath="B", profile="truck 140", load={"trial": True})

    def batches(*words):
        return [one["batch"] for one in objects(capsys, tmp_path, *words)]

    assert batches() == ["K1", "K2", "K3"]
    assert batches("--type", "s60") == ["K1"]
    assert batches("--type", "starter") == ["K1", "K2"]
    assert batches("--batch", "k2") == ["K2"]
    assert batches("--batch", "k") == []
    assert batches("--circuit", "A02") == ["K2"]
    assert batches("--bath", "b") == ["K3"]
    assert batches("--since", "2026-03-15") == ["K2", "K3"]
    assert batches("--until", "2026-03-15") == ["K1", "K2"]
    assert batches("--since", "2026-03-15T00:00:01Z") == ["K3"]
    assert batches("--until", "2026-03-15T00:00") == ["K1", "K2"]
    assert batches("--until", "2026-03-14T23:58:59.999") == []
    assert batches("--verdict", "stopped") == ["K2"]
    assert batches("--verdict", "by a person") == ["K2"]
    assert batches("--open") == []
    assert said(capsys, tmp_path, "--bath", "B")[1].split("trial: ")[1].startswith("tr~ ")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--since", "soon"), "--since: 'soon' is no date, write it like 2026-03-16"),
        (("--until", "2026-02-30"), "--until: '2026-02-30' is no date, write it like 2026-03-16"),
        (("--by", "week"), "--by: says nothing without --table: add it"),
        (("--keep",), "--keep: says nothing without --archive: add it"),
        (("--dry-run",), "--dry-run: says nothing without --archive: add it"),
        (("--table", "--archive"), "--table: does not go with --archive: run one after the other"),
        (("--json", "--archive"), "--json: does not go with --archive: run one after the other"),
    ],
)
def test_wrong_options_say_what_would_be_right(tmp_path, words, told):
    """One line, naming the option; nothing is read before it."""
    with pytest.raises(InputError) as wrong:
        runscmd.run(command(tmp_path / "none", *words))
    assert str(wrong.value) == f"runs: {told}"


def test_the_folder_of_runs_is_the_option_then_the_variable_then_runs(tmp_path, capsys, monkeypatch):
    """`--runs` wins over FORMBATH_RUNS, that over ./runs; one that is not there ends with a line."""
    for name in ("option", "variable", "runs"):
        invented.make(tmp_path / name, batch=name)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FORMBATH_RUNS", "variable")
    assert [one["batch"] for one in objects(capsys, "--runs", "option")] == ["option"]
    assert [one["batch"] for one in objects(capsys)] == ["variable"]
    monkeypatch.delenv("FORMBATH_RUNS")
    assert [one["batch"] for one in objects(capsys)] == ["runs"]
    with pytest.raises(InputError, match=r"none: there is no such folder; name a folder of runs"):
        runscmd.run(command("none"))


def test_a_chain_has_totals_in_which_no_charge_counts_twice(tmp_path, capsys):
    """20 Ah, then 15 Ah in a run that is credited 20: 35 Ah in all; the follow-on run stands below with a plus."""
    first = invented.make(tmp_path, hours=((0, 0.0), (2, 20.0)), end="stopped", energy_Wh=5_000.0)
    later = {"continues": first.name, "first_step": 1, "credited_Ah": 20.0}
    invented.make(
        tmp_path, "2026-03-16T12:00", circuit="A02", hours=((0, 0.0), (3, 15.0)), load=later, energy_Wh=4_000.0
    )
    invented.make(tmp_path, "2026-03-16T09:00", circuit="A03")
    lines = said(capsys, tmp_path)
    assert [text[:27].strip() for text in lines[1:]] == [
        "2026-03-16 06:00 A/A01", "+2026-03-16 12:00 A/A02", "follow-on: 2 runs, 5:00", "2026-03-16 09:00 A/A03",
    ]  # fmt: skip
    assert lines[3] == "    follow-on: 2 runs, 5:00 h, 35.0 Ah, 9.0 kWh in all"
    chain = objects(capsys, tmp_path, "--circuit", "A02")[0]["chain"]
    assert (chain["charge_Ah"], chain["energy_Wh"], chain["duration_s"], chain["wrong"]) == (
        35.0,
        9_000.0,
        18_000.0,
        [],
    )


def links(runs) -> list[tuple[list[str], tuple[str, ...]]]:
    return [([run.batch for run in chain.runs], chain.wrong) for chain in chains_of(seen(runs))]


def named(runs, batch, start, continues="", **more):
    load = {"continues": continues, "credited_Ah": more.pop("credited_Ah", 30.0)}
    return invented.make(runs, f"2026-03-{start}T06:00", batch=batch, name=batch, load=load, **more)


def test_a_gap_in_a_chain_is_said(tmp_path):
    """The run that is continued is not there: nobody can say what was put in before."""
    named(tmp_path, "b", 17, "a")
    assert links(tmp_path) == [(["b"], ("a gap: b continues a, which is not here",))]


def test_a_loop_in_a_chain_is_said_and_ends(tmp_path):
    """Two runs that continue each other are one chain, told once."""
    named(tmp_path, "a", 16, "b")
    named(tmp_path, "b", 17, "a")
    ((runs, wrong),) = links(tmp_path)
    assert runs == ["a", "b"]
    assert wrong == ("a loop: a continues b, which follows it",)


def test_a_run_that_continues_itself_is_a_loop(tmp_path):
    """The shortest loop."""
    named(tmp_path, "a", 16, "a")
    assert links(tmp_path) == [(["a"], ("a loop: a continues a, which follows it",))]


def test_a_run_continued_twice_is_said_and_stands_in_one_chain_only(tmp_path):
    """The earlier follow-on run goes on with the chain; the other begins its own, so that no charge counts twice."""
    named(tmp_path, "a", 16)
    named(tmp_path, "b", 17, "a")
    named(tmp_path, "c", 18, "a")
    assert links(tmp_path) == [(["a", "b"], ()), (["c"], ("a is continued twice, by b and by c",))]


def test_credits_that_do_not_fit_are_said(tmp_path):
    """What is credited is what the runs before put in, rounded to a tenth; 60 Ah after two runs, not 30."""
    named(tmp_path, "a", 16)
    named(tmp_path, "b", 17, "a", credited_Ah=30.04)
    assert links(tmp_path) == [(["a", "b"], ())]
    named(tmp_path, "c", 18, "b", credited_Ah=30.0)
    assert links(tmp_path) == [(["a", "b", "c"], ("c is credited 30.0 Ah, the runs before it put in 60.0",))]


def test_a_run_that_begins_before_the_one_it_continues_ended_is_said(tmp_path):
    """Also one that continues a run which never ended."""
    named(tmp_path, "a", 16)
    invented.make(tmp_path, "2026-03-16T08:00", batch="b", name="b", load={"continues": "a", "credited_Ah": 30.0})
    named(tmp_path, "c", 17, closed=False)
    named(tmp_path, "d", 18, "c")
    assert links(tmp_path) == [
        (["a", "b"], ("b begins before a ended",)), (["c", "d"], ("d continues c, which has not ended",)),
    ]  # fmt: skip


def test_runs_of_the_same_name_in_two_folders_do_not_mix(tmp_path):
    """Two demos hold runs of the same names: each continues the one beside it, and none where that is not clear."""
    for number in ("1", "2", "3"):
        if number != "3":
            named(tmp_path / number, "a", 16)
        named(tmp_path / number, "b", 17, "a")
    assert links(tmp_path) == [
        (["a", "b"], ()), (["a", "b"], ()), (["b"], ("a gap: b continues a, which is not here",)),
    ]  # fmt: skip
