"""Who makes chain and hashes anew is found where the record contradicts itself: sign-offs and what was read later."""

from __future__ import annotations

import copy
import json
import shutil
from dataclasses import replace

import pytest
import servedkit
from forgekit import rechained, reheaded, resealed
from servedkit import HOUR_MS, UTC_MS, Served, looked, memory_of, signed, written

from controller.core.bath import fresh_state
from controller.core.planned import Load
from controller.core.state import Run
from controller.records.chain import link, start
from controller.records.ended import ended
from controller.records.place import FolderPlace
from controller.records.readings import Reading, event_rows
from controller.records.rows import EVENT_HEADER, time_utc
from controller.records.tables import AFTER_COLUMNS, BATTERY_COLUMNS
from controller.verify.aftercheck import wrong_after, wrong_reading_rows
from controller.verify.bathfolder import verify_bath
from controller.verify.beside import wrong_beside
from controller.verify.signedcheck import MOST_TRIED, _Known, wrong_batteries, wrong_own
from controller.verify.summarycheck import ENDED, strange_keys, wrong_gaps, wrong_verdict

SIGN_OFF = ("sign_offs", "outcomes", "signed_off_by", "signed_off_role", "signed_off_utc", "verdict_at_end")


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """A run that was read and signed off twice."""
    return signed(tmp_path_factory.mktemp("served"))


@pytest.fixture(scope="module")
def place(served):
    """Its record in memory."""
    return memory_of(served)


def summary_of(place):
    return json.loads(place.files["summary.json"])


def with_cell(place, table, row, column, value):
    """One cell changed, the chain and the summary made anew."""
    columns = {"batteries.csv": BATTERY_COLUMNS, "after.csv": AFTER_COLUMNS}[table]

    def edit(rows):
        rows[row - 1][columns.index(column)] = value
        return rows

    return resealed(rechained(place, table, edit))


def with_sign_off(place, number=-1, **changes):
    """A sign-off in the summary changed, and of the newest one what repeats it."""
    signed_off = copy.deepcopy(summary_of(place)["sign_offs"])
    signed_off[number].update(changes)
    newest = signed_off[-1]
    return resealed(
        place, sign_offs=signed_off, verdict=newest["verdict"], outcomes=newest["outcomes"],
        signed_off_by=newest["who"], signed_off_role=newest["role"], signed_off_utc=newest["time_utc"],
    )  # fmt: skip


def told_of(found, start_of_it):
    return [said for said in found.wrong if said.startswith(start_of_it)]


def test_an_untouched_record_agrees_with_itself(served, place):
    """Two sign-offs, readings before and between, a link: nothing wrong, nothing noted, beside its bath or alone."""
    for each in (place, FolderPlace(served.folder())):
        assert (looked(each).wrong, looked(each).notes) == ([], [])
    assert place.files["batteries.csv"].count(b"\n") == 7
    assert place.files["after.csv"].count(b"\n") == 4


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("position", "3"), ("batch", "K9"), ("pallet", "P9"), ("serial", "S9"), ("ocv_V", "13.1"), ("ocv_age_h", "20"),
        ("density", "1.3"), ("density_C", "20"), ("level", "9"), ("reason", "dead cell"), ("text", "looks well"),
        ("outcome", "pass"),
    ],
)  # fmt: skip
def test_each_cell_of_a_battery_follows_from_the_sign_off_and_the_readings(place, column, value):
    """A cell that neither the words of the sign-off nor the list nor a reading gives is named with its row."""
    found = looked(with_cell(place, "batteries.csv", 2, column, value))
    assert told_of(found, f"batteries.csv:3: row 2: {column} is {value!r}, its sign-off and the readings give"), found


def test_a_scrapped_battery_is_not_passed_by_rows_and_sums_alone(place):
    """All rows, sums and the verdict changed to a pass: the words of the sign-off still say what they said."""
    rows = "signed off: 3 pass"
    counts = {"pass": 3, "re-form": 0, "rework": 0, "scrap": 0}
    forged = place
    for row in (4, 5):
        forged = with_cell(
            with_cell(forged, "batteries.csv", row, "outcome", "pass"), "batteries.csv", row, "reason", ""
        )
    found = looked(with_sign_off(forged, verdict=rows, outcomes=counts))
    assert told_of(found, "batteries.csv:5: row 4: outcome is 'pass'")
    assert told_of(
        found, "summary.json: sign-off 2: verdict is not what its result gives: signed off: 1 pass, 2 re-form"
    )
    assert told_of(looked(with_sign_off(place, 0, ocv_judged=3)), "summary.json: sign-off 1: ocv_judged")
    assert looked(with_sign_off(place, result="pass")).wrong
    endless = looked(with_sign_off(place, result="pass, " + "9" * 5_000 + " scrap x"))
    assert told_of(endless, "summary.json: sign-off 2: result is longer than any row of events")


def test_rows_and_sign_offs_come_together(place):
    """A battery more, one less, a table without sign-off, a sign-off without table: each does not hold."""
    more = resealed(rechained(place, "batteries.csv", lambda rows: [*rows, ["77", "K9", *[""] * 7, "pass", "", ""]]))
    assert told_of(looked(more), "batteries.csv: has 7 rows, its sign-offs give 6")
    less = resealed(rechained(place, "batteries.csv", lambda rows: rows[:-1]))
    assert told_of(looked(less), "batteries.csv: has 5 rows, its sign-offs give 6")
    gone = resealed(place.with_file("batteries.csv", None))
    assert told_of(looked(gone), "batteries.csv: has 0 rows, its sign-offs give 6")
    unsigned = resealed(place, drop=SIGN_OFF, verdict="ended by a person")
    assert looked(unsigned).wrong == ["batteries.csv: has rows, summary.json tells of no sign-off"]
    assert looked(resealed(place, sign_offs=["x"])).wrong


def test_what_was_read_after_a_sign_off_is_not_asked_of_it(place):
    """A clock that was set back puts later readings before an earlier sign-off: its rows are right without them."""
    summary, run_json = summary_of(place), json.loads(place.files["run.json"])
    rows = list(event_rows(place.files["batteries.csv"].decode().split("\n")[1:-1], BATTERY_COLUMNS))
    own, after, log = own_of(place), after_of(place), log_of(place)

    def odd(*more):
        return wrong_batteries(summary, run_json, rows, own, [*after, *more], log)

    late = {**after[0], "time_utc": "2026-03-16T19:20:00.000Z", "taken_utc": "2026-03-16T19:20:00.000Z", "value": "11"}
    nothing = ([], [])
    assert odd() == odd(late) == nothing
    assert odd({**after[1], "time_utc": summary["signed_off_utc"], "taken_utc": summary["signed_off_utc"]}) == nothing
    many = {**summary, "sign_offs": [*summary["sign_offs"]] * 1_000_000}
    assert wrong_batteries(many, run_json, rows, own, after, log) == (
        ["summary.json: tells of 2000000 sign-offs: more than can be looked at"], []
    )  # fmt: skip


def test_a_clock_set_back_between_a_sign_off_and_a_reading_is_a_note(place):
    """No row of after.csv goes back, and still the last of them came later: told with their number, and not wrong."""
    summary, run_json = summary_of(place), json.loads(place.files["run.json"])
    rows = list(event_rows(place.files["batteries.csv"].decode().split("\n")[1:-1], BATTERY_COLUMNS))
    own, after, log = own_of(place), after_of(place), log_of(place)
    told = "knows nothing of {} of after.csv with a time before it: so it is where a clock was set back in between"

    def odd(*more, batteries=rows, said=summary):
        return wrong_batteries(said, run_json, batteries, own, [*after, *more], log)

    late = {**after[0], "time_utc": "2026-03-16T19:40:00.000Z", "taken_utc": "2026-03-16T19:39:00.000Z", "value": "11"}
    assert odd(late) == ([], ["summary.json: sign-off 2: " + told.format("1 reading")])
    later = {**late, "time_utc": "2026-03-16T19:41:00.000Z", "value": "10"}
    assert odd(late, later) == ([], ["summary.json: sign-off 2: " + told.format("2 readings")])
    # Of the first sign-off, everything that was read may have come later; with what was read in the run it still fits.
    bare = [{**row, "ocv_V": "", "ocv_age_h": "", "level": ""} for row in rows[:3]]
    said = {**summary, "sign_offs": [{**summary["sign_offs"][0], "ocv_judged": 0}, summary["sign_offs"][1]]}
    wanted = ([], ["summary.json: sign-off 1: " + told.format("2 readings")])
    assert odd(batteries=[*bare, *rows[3:]], said=said) == wanted
    # A value that no number of readings gives is wrong, and no note beside it.
    wrong, notes = odd(late, batteries=[*rows[:4], {**rows[4], "ocv_V": "12.85"}, *rows[5:]])
    assert wrong
    assert notes == []


def test_a_reading_after_a_clock_was_set_back_leaves_a_served_record_whole(tmp_path, monkeypatch):
    """Signed off, then set back by five minutes, then another battery read: as a service writes it."""
    served = Served(tmp_path).ended()
    served.now_ms += 13 * HOUR_MS
    served.reading("voltage", 2, 12.84)
    served.order("sign-off", {"result": "pass"}, hours=0.5)
    monkeypatch.setattr(servedkit, "UTC_MS", UTC_MS - 300_000)
    served.reading("voltage", 1, 12.9)
    assert served.writer.commit(), served.writer.trouble
    served.recorder.end_all()
    assert served.writer.close()
    found = looked(memory_of(served))
    assert found.wrong == []
    assert [note.partition(" with ")[0] for note in found.notes] == [
        "summary.json: sign-off 1: knows nothing of 1 reading of after.csv"
    ]


def test_a_sign_off_in_the_run_s_own_events_is_the_one_in_the_summary(place):
    """Who, role and words are the event's; one that is lacking is wrong once something came later, else noted."""
    told = {"time_utc": "t", "id": "s1", "who": "quinn", "role": "quality", "result": "pass"}
    row = {**told, "kind": "order", "code": "signed_off", "text": "signed off by quinn: pass"}
    assert wrong_own({"sign_offs": [told]}, [row], looked=True) == ([], [])
    for key in ("who", "role", "result"):
        said = wrong_own({"sign_offs": [{**told, key: "x"}]}, [row], looked=False)
        assert said == ([f"summary.json: sign-off s1: {key} is not what events.csv says"], [])
    lacks = "summary.json: lacks the sign-off s1 that events.csv tells of"
    assert wrong_own({}, [row], looked=True) == ([lacks], [])
    assert wrong_own({}, [row], looked=False) == ([], [lacks])
    assert wrong_own({}, [{**row, "kind": "event"}], looked=True) == ([], [])


@pytest.mark.parametrize(
    ("column", "value", "told"),
    [
        ("position", "5", "position is '5', the string has 4 places"),
        ("position", "0", "position is '0', the string has 4 places"),
        ("position", "", "position is '', the string has 4 places"),
        ("taken_utc", "2026-03-16T19:01:14.001Z", "was taken after it was typed"),
        ("taken_utc", "", "was taken after it was typed, or at no time"),
        ("taken_utc", "2026-03-16T15:01:12.000Z", "was taken more than 240 min before"),
        ("what", "ocv", "what is 'ocv', right would be one of density, voltage"),
        ("unit", "mV", "unit is 'mV', voltage is read in V"),
        ("value", "501", "value is '501', voltage lies between -500 and 500 V"),
        ("value", "", "value is '', voltage lies between"),
    ],
)
def test_each_later_reading_is_one_that_can_be_read(place, column, value, told):
    """Place, time, kind, unit and bounds are those that an order must keep to."""
    found = looked(with_cell(place, "after.csv", 1, column, value))
    assert told_of(found, f"after.csv:2: row 1: {told}"), found.wrong


def test_bounds_of_another_version_are_not_asked_for():
    """What is read, how far and how late may differ by version; places and units that are known do not."""
    row = {
        "time_utc": "2026-03-16T19:00:00.000Z", "taken_utc": "2026-03-16T10:00:00.000Z", "position": "4",
        "what": "density", "value": "2", "unit": "kg/L", "temperature_C": "",
    }  # fmt: skip
    assert wrong_after([row, {**row, "what": "ohms", "unit": "mohm"}], None, ours=False) == []
    assert len(wrong_after([{**row, "position": "61"}, {**row, "unit": "V"}], None, ours=False)) == 2
    young = {**row, "taken_utc": "2026-03-16T18:30:00.000Z", "value": "1.2"}
    assert wrong_after([young], 4, ours=True) == [
        "after.csv:2: row 1: temperature_C is missing, density says nothing without it"
    ]
    assert wrong_after([{**young, "temperature_C": "25"}], 4, ours=True) == []
    old = {**young, "temperature_C": "25", "taken_utc": "2026-03-16T14:59:59.999Z"}
    assert wrong_after([old], 4, ours=True) == []
    assert wrong_after([{**old, "taken_utc": "2026-03-16T14:59:59.998Z"}], 4, ours=True) == [
        "after.csv:2: row 1: was taken more than 240 min before it was typed, which is refused"
    ]


def test_every_row_that_does_not_hold_is_told(place):
    """Not the first few: a script reads all of them, and of very many their number."""
    summary, run_json = summary_of(place), json.loads(place.files["run.json"])
    rows = list(event_rows(place.files["batteries.csv"].decode().split("\n")[1:-1], BATTERY_COLUMNS))
    odd = [{**row, "text": "x", "batch": "K9"} for row in rows]
    signed_off = [{**each, "verdict": "x", "outcomes": 1} for each in summary["sign_offs"]]

    def told(times):
        many = {**summary, "sign_offs": signed_off * times}
        return wrong_batteries(many, run_json, odd * times, own_of(place), after_of(place), log_of(place))

    few_told, _ = told(1)
    assert [said.partition(":")[0] for said in few_told] == ["batteries.csv"] * 12 + ["summary.json"] * 4
    very_many, _ = told(300)
    assert (very_many[1_000], very_many[-1]) == (
        "batteries.csv: 2,600 more cells like that", "summary.json: sign-offs: 200 more values like that"
    )  # fmt: skip
    assert len(very_many) == 2_002
    assert wrong_after([{}] * 1_003, 4, ours=True)[999:] == [
        "after.csv:1001: row 1000: position is '', the string has 4 places", "after.csv: 3 more rows like that"
    ]  # fmt: skip
    row = {"kind": "order", "code": "reading", "who": "anna", "time_utc": time_utc(UTC_MS), "value": "1.2"}
    row |= {"text": "reading by anna: density of battery 4 1.28 kg/L at 25.0 C, 0 min before, instrument H1"}
    told_words = wrong_reading_rows("e.csv", [row] * 1_003)
    assert (len(told_words), told_words[-1]) == (1_001, "e.csv: 3 more rows like that")


def test_a_sign_off_is_tried_with_what_was_known_a_bounded_number_of_times():
    """However many readings have its own time: each may have come before or after it, and only so many are tried."""
    for step_ms, without in ((0, 0), (-1, 0), (1, 1)):
        readings = [
            Reading(UTC_MS + at * step_ms, UTC_MS, at % 60 + 1, "voltage", 12.0, "V") for at in range(MOST_TRIED + 9)
        ]
        for count, tries in ((3, 4), (MOST_TRIED, MOST_TRIED + 1), (MOST_TRIED + 9, MOST_TRIED + 1)):
            known = _Known([], readings[:count], None, 25.0)
            found = list(known.at(time_utc(UTC_MS + max(0, step_ms) * 10_000)))
            assert len(found) == known.most_tries == tries
            # Where rows go back themselves, or have the sign-off's own time, that is enough; else the newest first.
            assert [each for _, each in found[:3]] == [0, without, 2 * without]


def own_of(place):
    return list(event_rows(place.files["events.csv"].decode().split("\n")[1:-1]))


def after_of(place):
    return list(event_rows(place.files["after.csv"].decode().split("\n")[1:-1], AFTER_COLUMNS))


def log_of(place):
    return place.files["log.csv"].decode().split("\n")[1:-1]


def beside(served, place, tmp_path, change=lambda text: text, bath=True):
    """The findings about a record beside the log of its bath, whose rows `change` rewrites with a chain that fits."""
    folder = written(place, tmp_path / "runs")
    if bath:
        to = tmp_path / "runs" / "A"
        shutil.copytree(served.runs / "A", to)
        for path in to.glob("events-*.csv"):
            header, *lines = path.read_text(encoding="utf-8").splitlines()
            value, out = start(header, b""), [header]
            for line in lines:
                text = change(line.rpartition(",")[0])
                if text:
                    value = link(value, text)
                    out.append(f"{text},{value}")
            path.write_text("\n".join(out) + "\n", encoding="utf-8")
    return looked(FolderPlace(folder))


def test_the_bath_s_log_tells_of_another_sign_off(served, place, tmp_path):
    """Who signed, changed wherever the record says so: the bath's log beside it says otherwise, alone nothing does."""
    forged = with_sign_off(place, who="nobody")
    assert looked(forged).wrong == []
    found = beside(served, forged, tmp_path)
    assert found.wrong == ["summary.json: sign-off o9: who is not what the bath's log says"]


def test_the_bath_s_log_knows_no_such_sign_off(served, place, tmp_path):
    """A sign-off at another time: the log that has the others has not this one, and has one that the record lacks."""
    found = beside(served, with_sign_off(place, time_utc="2026-03-16T20:31:17.000Z"), tmp_path)
    assert found.wrong == ["summary.json: sign-off o9 of 2026-03-16T20:31:17.000Z: the bath's log has none"]
    assert found.notes == [
        "summary.json: the bath's log tells of the sign-off o9 of 2026-03-16T20:01:17.000Z, it does not"
    ]


def test_the_bath_s_log_tells_of_other_readings(served, place, tmp_path):
    """Instrument, who and value of a later reading are held against the log's; what only the log has is a note."""
    for number, (column, value) in enumerate((("instrument", "M2"), ("who", "bert"), ("temperature_C", "25"))):
        found = beside(served, with_cell(place, "after.csv", 3, column, value), tmp_path / str(number))
        said = "after.csv: reading of voltage of battery 1 of 2026-03-16T19:31:16.000Z: "
        assert found.wrong == [f"{said}{column} is not what the bath's log says"]
    fewer = resealed(rechained(place, "after.csv", lambda rows: rows[:2]))
    found = beside(served, fewer, tmp_path / "fewer")
    assert [
        said for said in found.notes if said.startswith("after.csv: the bath's log tells of the reading of voltage")
    ]
    lacking = beside(served, place, tmp_path / "lacking", lambda text: "" if "level of" in text else text)
    assert lacking.wrong == [
        "after.csv: reading of level of battery 1 of 2026-03-16T19:01:14.000Z: the bath's log has none"
    ]


def test_a_log_that_may_lack_rows_or_is_another_proves_nothing(served, place, tmp_path):
    """No log, a younger one, one whose disk was away, that of another history: notes at most."""
    later = (",reading,", ",signed_off,")
    none = beside(served, place, tmp_path / "none", lambda text: "" if any(one in text for one in later) else text)
    assert none.wrong == []
    assert len(none.notes) == 5
    assert all(said.endswith("the bath's log has none") for said in none.notes)
    assert (beside(served, place, tmp_path / "gone", bath=False).notes) == []

    def full(text):
        return "" if "level of" in text else text.replace(",zero_read,", ",record_waits:new,")

    away = beside(served, place, tmp_path / "away", full)
    assert (away.wrong, len(away.notes)) == ([], 1)


def test_readings_before_the_end_by_a_clock_that_was_set_are_not_missed(served, place):
    """A log is looked through from the end on; a reading typed then by a clock set back stands before it."""
    summary, run_json = summary_of(place), json.loads(place.files["run.json"])
    after = after_of(place)
    early = {**after[0], "time_utc": time_utc(UTC_MS), "taken_utc": time_utc(UTC_MS), "value": "12.5"}
    assert wrong_beside(served.folder(), run_json, summary, [], [*after, early]) == ([], [])
    assert wrong_beside(served.folder(), run_json, {}, [], after) == ([], [])
    # The same row twice is one reading; another one of that same moment is another.
    assert wrong_beside(served.folder(), run_json, summary, [], [*after, after[0]]) == ([], [])
    name = "after.csv: reading of voltage of battery 2 of 2026-03-16T19:01:13.000Z"
    assert wrong_beside(served.folder(), run_json, summary, [], [*after, {**after[0], "value": "12.7"}]) == (
        [f"{name}: the bath's log has none"], []
    )  # fmt: skip


def test_a_month_that_the_bath_s_log_does_not_have_is_not_asked(place, tmp_path):
    """A bath's folder whose tables of that month are gone knows nothing of it: no word about any sign-off."""
    folder = written(place, tmp_path)
    (tmp_path / "A").mkdir()
    assert (looked(FolderPlace(folder)).wrong, looked(FolderPlace(folder)).notes) == ([], [])
    (tmp_path / "A" / "events-202603.csv").write_text(EVENT_HEADER + "\n", encoding="utf-8")
    assert (looked(FolderPlace(folder)).wrong, len(looked(FolderPlace(folder)).notes)) == ([], 5)


def test_what_the_log_says_otherwise_is_all_told(served, place, tmp_path, monkeypatch):
    """Seven sign-offs that the log lacks are seven findings; notes of many are the first few and their number."""
    (newest,) = summary_of(place)["sign_offs"][-1:]
    many = resealed(place, sign_offs=[{**newest, "id": f"x{number}"} for number in range(7)])
    found = beside(served, many, tmp_path)
    assert sum("the bath's log has none" in said for said in found.wrong) == 7
    monkeypatch.setattr("controller.verify.beside.MOST_TOLD", 1)
    unsigned = resealed(place.with_file("batteries.csv", None), drop=SIGN_OFF, verdict="ended by a person")
    assert beside(served, unsigned, tmp_path / "unsigned").notes == [
        "summary.json: the bath's log tells of the sign-off o7 of 2026-03-16T19:31:15.000Z, it does not",
        "the bath's log: 1 more like that",
    ]


def test_a_sign_off_that_came_while_the_record_was_open(tmp_path):
    """It stands in the run's own events, not in the bath's log: the summary agrees, and a forged one does not."""
    served = Served(tmp_path).ended(early="pass")
    served.reading("voltage", 2, 12.84)
    assert served.writer.commit()
    place = memory_of(served)
    assert b",signed_off," in place.files["events.csv"]
    assert len(summary_of(place)["sign_offs"]) == 1
    assert (looked(FolderPlace(served.folder())).wrong, looked(FolderPlace(served.folder())).notes) == ([], [])
    found = looked(with_sign_off(place, role="engineer"))
    assert found.wrong == ["summary.json: sign-off o4: role is not what events.csv says"]
    unsigned = resealed(place.with_file("batteries.csv", None), drop=SIGN_OFF, verdict="ended by a person")
    assert looked(unsigned).wrong == ["summary.json: lacks the sign-off o4 that events.csv tells of"]
    alone = looked(resealed(unsigned.with_file("after.csv", None)))
    assert (alone.wrong, alone.notes) == ([], ["summary.json: lacks the sign-off o4 that events.csv tells of"])
    served.recorder.end_all()
    assert served.writer.close()


def test_words_and_cells_of_a_reading_in_a_log_agree():
    """The value and unit beside a reading's words are those in them; other words are let through."""
    said = "reading by anna: density of battery 4 1.28 kg/L at 25.0 C, 0 min before, instrument H1"
    row = {"kind": "order", "code": "reading", "who": "anna", "time_utc": time_utc(UTC_MS), "value": "1.28"}
    row |= {"unit": "kg/L", "text": said}
    assert wrong_reading_rows("e.csv", [row, {**row, "unit": ""}, {**row, "text": "read 7", "value": "9"}]) == []
    assert wrong_reading_rows("e.csv", [{**row, "value": "1.2"}]) == [
        "e.csv:2: row 1: value is 1.2, its words say 1.28"
    ]
    assert wrong_reading_rows("e.csv", [{}, {**row, "unit": "V"}]) == [
        "e.csv:3: row 2: unit is 'V', its words say 'kg/L'"
    ]


def test_verify_of_a_bath_s_folder_holds_words_against_cells(served, tmp_path):
    """A forged value in the bath's own log, its chain made anew, is found there too."""
    folder = tmp_path / "A"
    shutil.copytree(served.runs / "A", folder)
    assert verify_bath(folder).wrong == []
    (path,) = folder.glob("events-*.csv")
    value, out = start(EVENT_HEADER, b""), [EVENT_HEADER]
    for line in path.read_text(encoding="utf-8").splitlines()[1:]:
        text = line.rpartition(",")[0].replace(",12.84,", ",12.94,")
        value = link(value, text)
        out.append(f"{text},{value}")
    path.write_text("\n".join(out) + "\n", encoding="utf-8")
    (said,) = verify_bath(folder).wrong
    assert said.endswith("value is 12.94, its words say 12.84")


def test_a_table_that_is_damaged_is_not_held_against_others(place):
    """A broken chain is told as that, elsewhere; nothing follows from its rows."""
    broken = place.with_file("after.csv", place.files["after.csv"].replace(b"12.84", b"12.94"))
    assert looked(broken).wrong == []
    cut = place.with_file("batteries.csv", place.files["batteries.csv"][:-5])
    assert looked(cut).wrong == []


def test_strange_keys_and_another_readme_are_noted(place):
    """A key more in the summary, a form or a README that this version does not write: it may be of another version."""
    found = looked(resealed(place, engineer="x", note=1))
    assert (found.wrong, found.notes) == (
        [],
        ["summary.json: holds keys that this version does not know: engineer, note"],
    )
    assert strange_keys({"format": "formbath/summary/9"}) == [
        "summary.json: is of a form that this version does not know: 'formbath/summary/9'"
    ]
    assert strange_keys({"format": "formbath/summary/1"}) == []
    (said,) = strange_keys({"format": "formbath/summary/1", **dict.fromkeys("gfedcba")})
    assert said.endswith(" does not know: a, b, c, d, e and 2 more")
    readme = looked(place.with_file("README.txt", b"all is well\n"))
    assert readme.notes == ["README.txt: is not the text that this version writes: what it explains may be wrong"]
    older = reheaded(place, lambda plain: plain["versions"].update(formbath="0.0.1"))
    assert not [said for said in looked(older.with_file("README.txt", b"x")).notes if said.startswith("README")]


def test_keys_that_a_service_always_writes_are_missed(rec, place):
    """Each key of an ended run; the list is that of what is written."""
    load = Load(rec.plan(), 18, "K1")
    state = replace(fresh_state(rec.settings).circuits[0], run=Run(0, "anna", end_ms=1), load=load)
    assert set(ENDED) == set(ended(state))
    for key in ENDED:
        assert f"summary.json: {key} is missing" in looked(resealed(place, drop=(key,))).wrong
    unsaid = reheaded(place, lambda plain: plain.update(versions={}))
    assert looked(resealed(unsaid, drop=("trial",))).wrong == []


def test_gaps_of_unknown_length_are_those_in_the_events(place):
    """As many as events.csv tells of; an older summary says nothing of them."""
    said = "summary.json: unknown_gaps is 2, events.csv tells of 0"
    assert looked(resealed(place, unknown_gaps=2)).wrong == [said]
    assert looked(resealed(place, unknown_gaps=2, lost_rows=1)).wrong == []
    assert wrong_gaps({"unknown_gaps": 1}, [{"code": "gap"}, {"code": "gap_unknown"}]) == wrong_gaps({}, []) == []


def test_the_verdict_at_the_end_is_that_of_the_state(place):
    """A stopped run was ended by a person, whatever the summary's words are; signed off or not."""
    said = "is not that of a run that ended as it says"
    assert looked(resealed(place, verdict_at_end="complete")).wrong == [f"summary.json: verdict_at_end {said}"]
    plain = {"versions": {"formbath": "0.1.0"}}
    assert wrong_verdict({"state": "complete", "verdict": "complete"}, plain) == []
    assert wrong_verdict({"state": "complete", "verdict": "passed"}, plain) == [f"summary.json: verdict {said}"]
    assert wrong_verdict({"state": "stopped", "verdict": "ended by a person"}, plain) == []
    assert wrong_verdict({"state": "stopped", "verdict": "complete"}, {}) == []
