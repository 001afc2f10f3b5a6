"""Words of a command in any order, and hostile ones: what stands behind options counts, what is wrong is cleaned."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ASKED = """
import contextlib, io, json, sys
import formbath
from controller.service import ordercmd

given = []
ordercmd.run = lambda args: given.append(args) or 0
found = []
for words in json.load(sys.stdin) + [[name, "a", "b", "--no-such-option"] for name in formbath.COMMANDS]:
    said = io.StringIO()
    del given[:]
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(io.StringIO()):
        try:
            code = formbath.main(words)
        except SystemExit as left:
            code = left.code
    args = [{k: v for k, v in vars(each).items() if isinstance(v, str | list)} for each in given]
    found.append({"name": words[0], "code": code, "said": said.getvalue(), "given": args})
json.dump(found, sys.stdout)
"""
LOAD = ["load", "A02", "--profile", "starter-60", "--batch", "K1:1-2"]
ORDERS = [
    ["order", *words]
    for words in (
        [*LOAD, "type=60Ah", "trial=yes"], [*LOAD[:2], "type=60Ah", *LOAD[2:], "trial=yes"],
        [*LOAD[:2], "type=60Ah", "trial=yes", *LOAD[2:]], [*LOAD[2:], *LOAD[:2], "type=60Ah", "trial=yes"],
    )
]  # fmt: skip
ACTS = "\x1b[31m\nx\r\x07\x9b\u202e"
HOSTILE = [
    ["order", "hold", "A07", f"-{ACTS}"], ["order", "hold", "A07", f"--{ACTS}"], ["order", "hold", "A07", f"--a{ACTS}"],
    ["order", f"ho{ACTS}", "A07"], ["order", "hold", "A07", "--seen-revision", ACTS], ["schema", "bath", ACTS],
    ["schema", "bath", "x" * 100_000], ["schema", "bath", f"--json{ACTS}=1"], [ACTS],
]  # fmt: skip


@pytest.fixture(scope="module")
def found():
    """All command lines of this file given to one process: what each gave, said and ended with."""
    done = subprocess.run(
        [sys.executable, "-c", ASKED], check=False, capture_output=True, text=True, cwd=ROOT, timeout=120,
        input=json.dumps([*ORDERS, *HOSTILE]),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_arguments_of_an_order_stand_anywhere(found):
    """KEY=VALUE before, between and behind the options: the same order."""
    for each in found[: len(ORDERS)]:
        assert each["code"] == 0, each
        (args,) = each["given"]
        assert (args["verb"], args["target"], args["more"]) == ("load", "A02", ["type=60Ah", "trial=yes"])
        assert (args["profile"], args["batch"]) == ("starter-60", "K1:1-2")


def test_a_wrong_word_cannot_act_on_the_terminal(found):
    """An escape, a newline or a turned direction in an argument is not obeyed; nor is one line a screen full."""
    for each in found[len(ORDERS) : len(ORDERS) + len(HOSTILE)]:
        assert (each["code"], each["given"]) == (2, []), each
        assert each["said"].endswith("\n")
        assert each["said"][:-1].isprintable(), each
        assert len(each["said"]) < 1_000


def test_every_command_names_an_option_that_it_has_not(found):
    """One line on standard error and exit 2, whatever a command takes."""
    commands = found[len(ORDERS) + len(HOSTILE) :]
    assert len(commands) > 10
    for each in commands:
        assert each["code"] == 2, each
        assert each["said"].startswith(f"formbath {each['name']}: ")
        assert each["said"].count("\n") == 1
