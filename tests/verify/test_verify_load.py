"""What a run was loaded with, its settings and plan: forged in run.json, found against cycles, texts and summary."""

from __future__ import annotations

import json
from dataclasses import replace
from hashlib import sha256
from math import nan
from pathlib import Path

import pytest
from forgekit import reheaded, resealed
from servedkit import BATH, LIST, Served, looked, memory_of, signed

from controller.bathfile import load_bath, settings_of, settings_of_texts
from controller.core.state import Run
from controller.core.version import CORE
from controller.records.cycles import decode
from controller.records.head import read_head
from controller.records.ours import VERSION, by_service, is_ours, version_of
from controller.records.place import FolderPlace
from controller.records.reader import read_cycles
from controller.verify.loadcheck import places_of, wrong_count, wrong_lists, wrong_load, wrong_loaded, wrong_starters
from controller.verify.plancheck import wrong_texts
from profiles.problems import InputError


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A signed-off run, in memory."""
    return memory_of(signed(tmp_path_factory.mktemp("served")))


@pytest.fixture
def plain(place):
    """Its run.json."""
    return json.loads(place.files["run.json"])


def forged(place, change):
    """What the checks say of the record with another run.json, all that hangs on it made anew."""
    return looked(reheaded(place, change)).wrong


def first_block(place):
    head = read_head(json.loads(place.files["run.json"]))
    frame = read_cycles(place.files["cycles.bin"]).frames[0]
    return head, *decode(frame.body, frame.count, head.codec)


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("batteries", 2, "batteries is 2, cycles.bin has 3"),
        ("fresh", False, "fresh is False, cycles.bin has True"),
        ("first_filled_ms", -60_000, "first_filled_ms is -60000, cycles.bin has 0"),
        ("last_filled_ms", 60_000, "last_filled_ms is 60000, cycles.bin has 0"),
        ("text", "K1:1-3/P7", "text is 'K1:1-3/P7', cycles.bin has 'K1:1-2/P7 K2:4//S3'"),
        ("battery_type", "T61", "battery_type is 'T61', cycles.bin has 'T60'"),
        ("continues", "20260101T000000Z-A-A01-K0", "continues is '20260101T000000Z-A-A01-K0', cycles.bin has ''"),
        ("first_step", 1, "first_step is 1, cycles.bin has 0"),
        ("credited_Ah", 5.0, "credited_Ah is 5.0, cycles.bin has 0.0"),
        ("trial", True, "trial is True, cycles.bin has False"),
        ("released", True, "released is True, cycles.bin has False"),
        ("batch", "K9", "batch is 'K9', cycles.bin has 'K1'"),
    ],
)
def test_each_field_of_the_load_stands_in_the_first_state_too(place, key, value, told):
    """run.json's load is the one that the cycles were decided with."""
    wrong = forged(place, lambda plain: plain["load"].update({key: value}))
    assert f"run.json: load: {told}" in wrong


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("load_list", "K9:1-2 K2:4", "load_list: is not the list of the load"),
        ("batteries", [], "batteries: are not those of the load's list"),
        ("links", [], "links: are not the places that the batteries leave free"),
        ("orders", [], "orders: are not those of the first cycle in cycles.bin"),
        ("orders", [{"id": 7}], "orders: "),
        ("follow_on", {"continues": "x"}, "follow_on: is not what the load says"),
    ],
)
def test_what_follows_from_the_load_follows_from_it(place, key, value, told):
    """The list, the batteries, the links, the orders, the earlier run: each says what load and first cycle say."""
    assert any(said.startswith(f"run.json: {told}") for said in forged(place, lambda plain: plain.update({key: value})))


@pytest.mark.parametrize("key", ["serial", "pallet", "batch", "type", "position"])
def test_each_word_of_a_battery_is_the_list_s(place, key):
    """One battery under another name, in run.json alone."""
    value = 3 if key == "position" else "X9"
    wrong = forged(place, lambda plain: plain["batteries"][2].update({key: value}))
    assert "run.json: batteries: are not those of the load's list" in wrong


@pytest.mark.parametrize(("key", "value"), [("who", "bert"), ("id", "x"), ("roles", ["quality"]), ("args", {"a": 1})])
def test_who_started_the_run_stands_in_its_first_cycle(place, key, value):
    """Another name for the person who started is found though run.json is the only file that was changed."""
    wrong = forged(place, lambda plain: plain["orders"][0].update({key: value}))
    assert wrong[0] == "run.json: orders: are not those of the first cycle in cycles.bin"


def test_who_started_the_run_stands_in_its_first_event_too(place, plain):
    """Without any cycle that can be read; rows of later cycles, or of no person, say nothing of it."""
    row = {"elapsed_s": "0.000", "id": "o2", "kind": "order", "code": "accepted", "who": "anna", "role": "technician"}
    assert wrong_starters(plain, [row, {**row, "who": ""}]) == wrong_starters({}, [row]) == []
    assert wrong_starters(plain, [{**row, "who": "bert"}]) == [
        "run.json: orders: o2 is by 'anna', events.csv says 'bert'"
    ]
    assert wrong_starters(plain, [{**row, "role": "manager"}]) == [
        "run.json: orders: o2: its roles lack that in events.csv, 'manager'"
    ]
    for other in ({"elapsed_s": "1.000"}, {"id": "o3"}, {"kind": "refusal"}):
        assert wrong_starters(plain, [{**row, "who": "bert", **other}]) == []
    bare = place.with_file("cycles.bin", b"")
    told = looked(reheaded(bare, lambda plain: plain["orders"][0].update(who="bert"))).wrong
    assert "run.json: orders: o2 is by 'bert', events.csv says 'anna'" in told


def test_the_load_of_a_record_that_begins_otherwise(place):
    """Loaded and started in one cycle, begun in the midst, its first cycles lost: nothing is wrong that may be so."""
    head, state, cycles = first_block(place)
    assert wrong_load(head, state, cycles) == []
    assert wrong_load(head, None, cycles) == wrong_load(head, state, []) == []
    first = cycles[0]
    order = replace(first.cin.orders[0], verb="load", load=state.load)
    at_once = replace(first, cin=replace(first.cin, orders=(order, *first.cin.orders)))
    asked = replace(head, plain={**head.plain, "orders": []})
    plain = {**head.plain, "versions": {}, "orders": []}
    free = replace(head, plain=plain)
    assert wrong_load(free, replace(state, load=None), [at_once]) == []
    assert wrong_load(asked, state, cycles) == ["run.json: orders: are not those of the first cycle in cycles.bin"]
    other = replace(head, load=replace(head.load, batteries=2, trial=True), start_ms=head.start_ms - 1_000)
    assert wrong_load(other, state, cycles) == ["run.json: load: trial is True, cycles.bin has False"]
    odd = replace(first.cin.orders[0], args={"a": nan})
    told = [{**head.plain["orders"][0], "args": {"a": {"float": "nan"}}}]
    no_number = replace(first, cin=replace(first.cin, orders=(odd,)))
    assert wrong_load(replace(head, plain={**head.plain, "orders": told}), state, [no_number]) == []
    counted = replace(first, cin=replace(first.cin, orders=(replace(first.cin.orders[0], verb="change-count"),)))
    assert wrong_load(replace(free, load=replace(head.load, batteries=2)), state, [counted]) == []
    assert wrong_load(replace(head, circuit="A02"), state, cycles)[0] == (
        "run.json: circuit: the states of cycles.bin are of A01"
    )
    plan = replace(head, load=replace(head.load, plan=replace(head.load.plan, level_mm=1.0)))
    assert "run.json: load: plan is 'this plan', cycles.bin has 'another'" in wrong_load(plan, state, cycles)


def test_a_follow_on_run_is_owed_what_it_was(place):
    """What is owed stands in the first state; a record that began in the midst of its run may owe more by then."""
    head, state, cycles = first_block(place)
    told = {"continues": "R0", "first_step": 1, "credited_Ah": 2.0, "owed_Ah": 0.0}
    load = replace(head.load, continues="R0", credited_Ah=2.0)
    follows = replace(head, load=load, plain={**head.plain, "follow_on": told})
    state = replace(state, load=load)
    assert wrong_load(follows, state, cycles) == []
    for key, value in (("owed_Ah", 1.0), ("credited_Ah", 3.0), ("first_step", 2), ("continues", "R1")):
        odd = replace(follows, plain={**head.plain, "follow_on": {**told, key: value}})
        assert wrong_load(odd, state, cycles) == ["run.json: follow_on: is not what the load says"]
    begun = replace(state, run=Run(0, "anna", owed_Ah=3.0))
    for owed_Ah, wrong in ((3.0, 0), (5, 0), ("x", 1), (None, 1), (True, 1)):
        owed = replace(follows, plain={**head.plain, "follow_on": {**told, "owed_Ah": owed_Ah}})
        assert len(wrong_load(owed, begun, cycles)) == wrong, owed_Ah
    unsaid = {key: value for key, value in head.plain.items() if key != "follow_on"}
    assert wrong_load(replace(follows, plain=unsaid), state, cycles) == []


def test_lists_of_records_that_no_service_made_are_asked_for_less(plain):
    """A record without a list may have batteries all the same; with one they agree; an older one lacks the keys."""
    assert wrong_lists(plain) == wrong_lists({}) == wrong_lists({"load": {}}) == []
    assert wrong_lists({key: plain[key] for key in plain if key not in ("batteries", "links", "load_list")}) == []
    test = {**plain, "versions": {}}
    bare = {**test, "load": {**plain["load"], "text": ""}, "load_list": ""}
    assert wrong_lists(bare) == []
    assert wrong_lists({**test, "batteries": plain["batteries"][:2], "links": [3, 4]}) == [
        "run.json: batteries: are not those of the load's list"
    ]
    assert wrong_lists({**plain, "load": {**plain["load"], "text": ""}, "load_list": ""})
    assert wrong_lists({**plain, "batch": "K2"}) == ["run.json: batch: the load's list begins with K1"]
    assert places_of(plain) == 4
    for absurd in (0, -1, 10**9, "4", True):
        told = {"settings": {"circuits": [{"name": "A01", "places": absurd}]}, "circuit": "A01"}
        assert places_of(told) is None
    assert places_of({}) is places_of({"settings": {"circuits": [7, {"name": "A01"}]}, "circuit": "A01"}) is None


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("trial", True, "trial is True, the load says False"),
        ("battery_type", "T9", "battery_type is 'T9', the load says 'T60'"),
        ("follow_on", {"continues": "R0"}, "follow_on is not that of run.json"),
        ("batteries", 2, "batteries is 2, the load says 3, and nobody changed the number"),
    ],
)
def test_the_summary_s_load_is_that_of_run_json(place, key, value, told):
    """Without any decision made again, too."""
    assert looked(resealed(place, **{key: value})).wrong == [f"summary.json: {told}"]


def test_a_number_that_an_interruption_may_explain_is_noted(place, monkeypatch):
    """Not wrong, and not passed over in silence. Here any accepted order stands for the interruption."""
    monkeypatch.setattr("controller.verify.loadcheck._INTERRUPTED", {"accepted"})
    found = looked(resealed(place, batteries=2))
    assert found.wrong == []
    assert [note for note in found.notes if "batteries is 2" in note and "may have taken its row" in note]


def test_a_number_that_an_order_changed_is_another_at_the_end():
    """Only where events.csv tells of it; what is owed by the end may be more than at the begin."""
    told, run_json = {"batteries": 17}, {"load": {"batteries": 18}}
    said = "summary.json: batteries is 17, the load says 18, and n"
    (wrong,), notes = wrong_count(told, run_json, [{"code": "accepted"}])
    assert (wrong, notes) == (f"{said}obody changed the number", [])
    assert wrong_count(told, run_json, [{"code": "gap"}, {"code": "recounted"}]) == ([], [])
    for gap in ("gap", "gap_unknown"):
        wrong, (note,) = wrong_count(told, run_json, [{"code": "accepted"}, {"code": gap}])
        assert (wrong, note) == ([], f"{said}o order that changed it is left: an interruption may have taken its row")
    for nothing in (({}, run_json), (told, {}), ({"batteries": 18}, run_json)):
        assert wrong_count(*nothing, []) == ([], [])
    begun = {"continues": "R0", "owed_Ah": 0.0}
    assert wrong_loaded({"follow_on": {**begun, "owed_Ah": 3.0}}, {"follow_on": begun}) == []
    assert wrong_loaded({"follow_on": None}, {"follow_on": begun})
    assert wrong_loaded({"battery_type": "T1"}, {"load": {"battery_type": ""}, "plan": {"battery_type": "T1"}}) == []


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        (("period_ms",), 2_000, "settings.period_ms: is 2000, the texts of bath_file and map give 1000"),
        (("laws", "probe", "trip_C"), 200.0, "settings.laws.probe.trip_C: is 200.0, "),
        (("two_people",), True, "settings.two_people: is true, the texts of bath_file and map give false"),
        (("two_people",), 0, "settings.two_people: is 0, the texts of bath_file and map give false"),
        (("walk_ms",), [1, 2], "settings.walk_ms: is [1, 2], the texts of bath_file and map give null"),
        (("circuits", 0, "current_max_A"), 21.0, "settings.circuits.0.current_max_A: is 21.0, "),
        (("circuits", 0, "can_discharge"), "x", 'settings.circuits.0.can_discharge: is "x", '),
        (("circuits", 1, "places"), 40, "settings.circuits.1.places: is 40, "),
    ],
)
def test_each_setting_follows_from_the_bath_file_and_the_map(plain, path, value, told):
    """A limit changed in the settings alone: the text beside it says what was in force."""
    part = plain["settings"]
    for key in path[:-1]:
        part = part[key]
    part[path[-1]] = value
    (said,) = wrong_texts(plain)[0]
    assert said.startswith(f"run.json: {told}")


def test_what_comes_from_another_circuit_s_map_is_not_asked_for(plain):
    """A record keeps the map of its own circuit only; keys that one side lacks are of another build."""
    plain["settings"]["circuits"][1].update(can_discharge="x", default_A=1.0)
    plain["settings"]["later"] = plain["plan"]["later"] = 1
    del plain["settings"]["apart_ms"]
    assert wrong_texts(plain) == ([], [])
    plain["settings"]["circuits"].append({})
    assert wrong_texts(plain)[0]


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        (("capacity_C20_Ah",), 61.0, "plan.capacity_C20_Ah: is 61.0, the profile's text gives 60.0"),
        (("steps", 0, "current_A"), 9.0, "plan.steps.0.current_A: is 9.0, the profile's text gives 4.0"),
        (("steps", 0, "name"), "wetting", 'plan.steps.0.name: is "wetting", '),
        (("steps", 0, "ends", "steady_over_ms"), 1, "plan.steps.0.ends.steady_over_ms: is 1, "),
        (("probe_trip_C",), None, "plan.probe_trip_C: is null, "),
        (("charge_cap_Ah",), 900.0, "plan.charge_cap_Ah: is 900.0, "),
    ],
)
def test_each_number_of_the_plan_follows_from_the_profile(plain, path, value, told):
    """The plan is what the profile's text compiles to."""
    part = plain["plan"]
    for key in path[:-1]:
        part = part[key]
    held, part[path[-1]] = part[path[-1]], value
    if held != value:
        (said,) = wrong_texts(plain)[0]
        assert said.startswith(f"run.json: {told}")
    else:
        assert wrong_texts(plain) == ([], [])


def with_text(plain, name, text):
    plain[name].update(text=text, sha256=sha256(text.encode()).hexdigest())


def test_texts_that_were_changed_together_with_their_hashes(plain):
    """Another limit or another current in a text whose hash fits: settings and plan still say what was in force."""
    with_text(plain, "bath_file", plain["bath_file"]["text"].replace("current_max_A = 20", "current_max_A = 30"))
    assert [said.partition(": is")[0] for said in wrong_texts(plain)[0]] == [
        "run.json: settings.circuits.0.current_max_A",
        "run.json: settings.circuits.1.current_max_A",
    ]
    plain["settings"] = {}
    with_text(plain, "profile", plain["profile"]["text"].replace("current_A = 4", "current_A = 5"))
    told = wrong_texts(plain)[0]
    sums = [plain[name]["sha256"][:56] for name in ("plan", "profile")]
    assert told[0] == f'run.json: plan.sha256: is "{sums[0]}..., the profile\'s text gives "{sums[1]}...'
    assert told[-1] == "run.json: plan: 2 more values like that"


@pytest.mark.parametrize("name", ["profile", "bath_file", "map"])
@pytest.mark.parametrize("text", ["", "kind = ", "kind = 'x'\n", "x = [\n" * 3_000, "a" * 1_000_001, 'kind = "bath"\n'])
def test_texts_that_nothing_can_be_made_of(plain, name, text):
    """Empty, no TOML, another kind, endless: said in one line; a profile lost at a restart is told elsewhere."""
    with_text(plain, name, text)
    told = wrong_texts(plain)[0]
    if name == "profile" and not text:
        assert told == []
    else:
        (said,) = told
        assert ("plan: the profile's text gives none" if name == "profile" else "settings: the texts of") in said
        assert len(said) < 320
        assert "\n" not in said


def test_a_release_is_of_this_text_and_revision(plain):
    """The text in a release, and its revision, are those of the profile beside it."""
    good = {"sha256": plain["profile"]["sha256"], "text": plain["profile"]["text"], "revision": 1}
    for changed, wrong in (({}, 0), ({"text": "x"}, 1), ({"revision": 2}, 1), ({"text": "x", "revision": 2}, 2)):
        text = json.dumps({**good, **changed})
        assert len(wrong_texts({**plain, "release": {"name": "r", "text": text}})[0]) == wrong
    for text in ("{", "[]", '{"sha256": ""}', "[" * 100_000):
        assert wrong_texts({**plain, "release": {"name": "r", "text": text}}) == ([], [])


def test_records_of_another_version_are_not_compared(plain):
    """What another version made of a text is not known here: a note says so, and of none where it says nothing."""
    plain["settings"]["period_ms"] = plain["plan"]["cells"] = 7
    assert len(wrong_texts(plain)[0]) == 2
    other = {**plain, "versions": {"formbath": "9.0"}}
    assert wrong_texts(other) == ([], [
        f"run.json: settings and plan were not made again from their texts: by version 9.0, this is {VERSION}"
    ])  # fmt: skip
    for odd in ({}, None, 7, {"formbath": 1}):
        assert wrong_texts({**plain, "versions": odd}) == ([], [])
        assert not by_service({**plain, "versions": odd})
    assert wrong_texts({**plain, "core": CORE + 1}) == ([], [])
    assert is_ours(plain)
    assert version_of(plain) == VERSION


def test_the_form_of_the_summary_is_the_one_this_version_writes(plain):
    """Else a summary without its own hash could pass for one of old; a record of before does not say."""
    plain["summary_format"] = "formbath/summary/1"
    assert wrong_texts(plain)[0] == ["run.json: summary_format: this version writes formbath/summary/2"]
    del plain["summary_format"]
    assert wrong_texts(plain) == ([], [])


def test_settings_from_texts_are_those_of_the_files(tmp_path):
    """The same settings as from the bath file and its maps on the disk, and who shares the map; errors are told."""
    served = Served(tmp_path)
    text = (tmp_path / "bath.toml").read_text()
    maps = Path("controller/field/maps")
    made, known = settings_of_texts(text, (maps / "single.toml").read_text(), "A01")
    assert known == {"A01"}
    assert made.circuits[0] == served.settings.circuits[0]
    assert replace(made, circuits=()) == replace(settings_of(load_bath(tmp_path / "bath.toml")), circuits=())
    with pytest.raises(InputError, match="has no circuit 'A09'"):
        settings_of_texts(text, (maps / "single.toml").read_text(), "A09")
    with pytest.raises(InputError):
        settings_of_texts(BATH, (maps / "single.toml").read_text(), "A01")


def test_cycles_that_are_missing_or_of_another_layout_leave_the_load_alone(place, tmp_path):
    """Without the first cycles nothing is held against the load; what is wrong with them is told elsewhere."""
    change = {"load": {**json.loads(place.files["run.json"])["load"], "trial": True}}
    assert "run.json: load: trial is True, cycles.bin has False" in forged(place, lambda plain: plain.update(change))
    odd = reheaded(place, lambda plain: plain.update(change, layout={}))
    assert [said for said in looked(odd).wrong if "cycles.bin has" in said] == []
    none = reheaded(place, lambda plain: plain.update(change)).with_file("cycles.bin", b"")
    assert [said for said in looked(none).wrong if "cycles.bin has" in said] == []
    lost = resealed(reheaded(place, lambda plain: plain.update(change)), lost_cycles=1)
    assert [said for said in looked(lost).wrong if "cycles.bin has" in said] == []
    served = Served(tmp_path).ended()
    assert looked(FolderPlace(served.folder())).wrong == []
    assert wrong_lists({"load": {"text": "K1:1 " * 20_000}}) == ["run.json: load: its list is longer than any order"]
    assert LIST in served.folder().joinpath("run.json").read_text()
    served.recorder.end_all()
    assert served.writer.close()
