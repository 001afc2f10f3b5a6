"""A reason that a person gave with an order: readable in the record, and the record holds."""

from __future__ import annotations

import csv

import pytest
from servedkit import Served

from controller.verify.runfolder import verify_run

WHY = 'heard: a "bang", then\x1b[31m smoke'


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """A run that was stopped and signed off for a reason; a reading and a later sign-off with one as well."""
    made = Served(tmp_path_factory.mktemp("reasons"))
    order = made.order
    made.order = lambda verb, args=None, load=None, hours=0.0: order(verb, {"reason": WHY, **(args or {})}, load, hours)
    made.ended("pass, 2 scrap burnt")
    made.reading("voltage", 2, 12.84)
    made.order("sign-off", {"result": "pass, 2 scrap reversed"}, hours=0.5)
    assert made.writer.commit(), made.writer.trouble
    made.recorder.end_all()
    assert made.writer.close()
    return made


def texts(path):
    with path.open(newline="") as file:
        return [row["text"] for row in csv.DictReader(file) if row["kind"] == "order"]


def test_every_reason_can_be_read(served):
    """In the run's events, in the bath's behind its end; cleaned, and beside words that are taken apart again."""
    why = 'heard: a "bang", then [31m smoke'
    own = texts(served.folder() / "events.csv")
    assert [own[0], own[2]] == [f"start by anna: {why}", "stop by anna: enough"]
    read = "reading by anna: density of battery 4 1.28 kg/L at 20.0 C, 0 min before, instrument M1"
    sign, measure = (f"reason of {verb} by anna: {why}" for verb in ("sign-off", "reading"))
    assert [text for text in own if "read back" not in text][2:] == [
        "signed off by anna: pass, 2 scrap burnt", sign, read, measure,
    ]  # fmt: skip
    (bath,) = served.runs.glob("*/events-*.csv")
    assert texts(bath)[0] == f"load by anna: {why}"
    assert [text for text in texts(bath) if text.startswith("reason")] == [measure, sign]


def test_the_record_holds_with_them(served):
    """Rows come again the same from the cycles; battery 2's cause is the sign-off's, not the order's reason."""
    verdict = verify_run(served.folder())
    assert (verdict.holds, verdict.wrong, verdict.decisions) == (True, [], "compared")
    with (served.folder() / "batteries.csv").open(newline="") as file:
        rows = [(row["position"], row["outcome"], row["reason"], row["text"]) for row in csv.DictReader(file)]
    assert {row[1:] for row in rows if row[0] != "2"} == {("pass", "", "")}
    assert [row[1:] for row in rows if row[0] == "2"] == [("scrap", "other", "burnt"), ("scrap", "reversed", "")]
    with (served.folder() / "after.csv").open(newline="") as file:
        assert [row["instrument"] for row in csv.DictReader(file)] == ["M1"]
