"""The program as a shell starts it: words, help, exit codes, and what a failure leaves behind."""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import pytest

from controller.records.ours import VERSION

ROOT = Path(__file__).parents[2]
COMMANDS = ("demo", "run", "console", "order", "check", "schema", "simulate", "verify")
KINDS = ("profile", "bath", "map")


def formbath(*words, **env) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, ROOT / "formbath.py", *words],
        check=False, capture_output=True, text=True, stdin=subprocess.DEVNULL, cwd=ROOT, env={**os.environ, **env},
        timeout=120,
    )  # fmt: skip


def test_help_names_every_command_within_80_columns():
    """The overview lists each command with its sentence, the exit codes, and that this is no safety system."""
    done = formbath("--help")
    assert (done.returncode, done.stderr) == (0, "")
    for command in COMMANDS:
        assert re.search(rf"^  {command} +\S.*\.$", done.stdout, re.MULTILINE)
    assert "not a safety system" in done.stdout
    assert "70 failed" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_help_imports_nothing_heavy():
    """`formbath --help` answers without loading numpy, pydantic, pymodbus or any room of the house."""
    code = "import sys, formbath; formbath.main(['--help']); print(*sorted(sys.modules), file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT, timeout=60
    )
    loaded = {name.partition(".")[0] for name in done.stderr.split()}
    assert not loaded & {"numpy", "pydantic", "pymodbus", "urwid", "asyncio", "profiles", "controller", "simulator"}


OPENED = """
import sys, formbath
try:
    code = formbath.main([sys.argv[1], "-h"])
except SystemExit as left:
    code = left.code
command = formbath.COMMANDS[sys.argv[1]]
assert callable(formbath._load(command.arguments)) and callable(formbath._load(command.run))
sys.exit(code)
"""


@cache
def opened(command: str) -> subprocess.CompletedProcess[str]:
    """A process of its own that says a command's help, then loads what would run it, as a shell's call does."""
    words = [sys.executable, "-c", OPENED, command]
    return subprocess.run(words, check=False, capture_output=True, text=True, cwd=ROOT, timeout=60)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_a_command(command):
    """Each command says its sentence, two examples as one would type them, its options and the exit codes."""
    done = opened(command)
    assert len(re.findall(rf"^  formbath {command}\b", done.stdout, re.MULTILINE)) == 2
    assert "exit codes:" in done.stdout
    assert "-h, --help" in done.stdout


@pytest.mark.parametrize("command", COMMANDS)
def test_table_leads_to_functions_that_are_there(command):
    """No entry of the table points into the void."""
    done = opened(command)
    assert done.returncode == 0, done.stderr


def test_help_as_a_shell_asks_for_it():
    """The help of a command is what the program itself prints, with nothing on standard error and exit 0."""
    done = formbath("check", "-h")
    assert (done.returncode, done.stdout, done.stderr) == (0, opened("check").stdout, "")


@pytest.mark.parametrize(
    ("word", "near"), [("chekc", "check"), ("dmeo", "demo"), ("orders", "order"), ("verfiy", "verify")]
)
def test_wrong_word_gets_the_nearest_right_one(word, near):
    """A mistyped command is not run; the right one is suggested."""
    done = formbath(word, "x")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == f"formbath: '{word}' is no command, did you mean {near}?\n"


def test_word_far_from_any_gets_the_list_and_cannot_write_to_the_terminal():
    """A word without a neighbour gets all commands; an escape in it is shown, not obeyed."""
    done = formbath("\x1b[31mqqq")
    assert done.returncode == 2
    assert "\x1b" not in done.stderr
    assert all(command in done.stderr for command in COMMANDS)


def test_no_word_is_wrong_input():
    """Without a command the overview goes to standard error, and a script notices."""
    done = formbath()
    assert (done.returncode, done.stdout) == (2, "")
    assert "formbath COMMAND -h" in done.stderr


def test_wrong_option_and_verb_are_suggested():
    """A mistyped option or verb ends with 2, one line and the nearest right one; abbreviations are not guessed."""
    option, verb = formbath("order", "hold", "A07", "--confrim", "A07"), formbath("order", "strat", "A07")
    assert (option.returncode, option.stderr) == (
        2,
        "formbath order: '--confrim' is no option here, did you mean --confirm?\n",
    )
    assert (verb.returncode, verb.stderr) == (2, "formbath order: 'strat' is no VERB, did you mean start?\n")
    assert formbath("order", "start", "A07", "--conf", "A07").returncode == 2


def test_a_value_that_begins_with_a_minus_is_told_how_it_is_written(tmp_path):
    """Which the parser takes for an option; behind = it is taken."""
    stray = formbath("order", "note", "A01", "--text", "-2+3")
    told = "argument --text: expected one argument; a value that begins with - is written behind =, as in --text=-2+3"
    assert (stray.returncode, stray.stderr) == (2, f"formbath order: {told}\n")
    assert formbath("order", "note", "A01", "--text=-2+3", "--socket", str(tmp_path / "none.sock")).returncode == 3


def test_unreachable_service_exits_3(tmp_path):
    """No service at the socket named: one sentence, 3."""
    done = formbath("order", "hold", "A07", "--socket", str(tmp_path / "none.sock"))
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr.count("\n") == 1
    assert "none.sock" in done.stderr
    console = formbath("console", "--socket", str(tmp_path / "none.sock"))
    assert (console.returncode, console.stdout) == (3, "")
    assert console.stderr.count("\n") == 1


def test_wrong_file_exits_2_with_its_line(tmp_path):
    """A file that is wrong is named with its line; there is no trace."""
    path = tmp_path / "p.toml"
    path.write_text('kind = "profile"\nname = 7\n')
    done = formbath("check", str(path))
    assert done.returncode == 2
    assert f"{path}:2: name: " in done.stderr
    assert "Traceback" not in done.stderr


SHIPPED = sorted(ROOT.glob("profiles/library/*.toml")) + sorted(ROOT.glob("controller/**/*.toml"))


@pytest.fixture(scope="module")
def checked() -> tuple[int, dict[str, dict]]:
    """Every shipped file checked by one call: its exit code, and what was found, by file."""
    done = formbath("check", *map(str, SHIPPED), "--json")
    return done.returncode, {found["file"]: found for found in json.loads(done.stdout)["files"]}


@pytest.mark.parametrize("file", SHIPPED, ids=lambda p: p.name)
def test_check_finds_every_shipped_file_right(checked, file):
    """Profiles, bath files and maps that come with the program pass its own check, each by its own kind."""
    code, found = checked
    assert found[str(file)]["right"], found[str(file)]
    assert found[str(file)]["kind"] in KINDS
    assert code == 0


@pytest.mark.parametrize("kind", KINDS)
def test_schema_of_each_kind(kind):
    """The schema of every kind is JSON that names the kind's own word."""
    done = formbath("schema", kind)
    assert done.returncode == 0
    assert json.loads(done.stdout)["properties"]["kind"]["const"] == kind
    assert formbath("schema", kind + "x").returncode == 2


def broken(tmp_path, statement, *words) -> subprocess.CompletedProcess[str]:
    """The program with one of its functions replaced by a statement that goes wrong."""
    code = f"""import formbath, sys
def wrong(*_):
    {statement}
formbath.run_schema = wrong
sys.exit(formbath.main({list(words)}))"""
    return subprocess.run(
        [sys.executable, "-c", code],
        check=False, capture_output=True, text=True, cwd=ROOT, env={**os.environ, "TMPDIR": str(tmp_path)}, timeout=60,
    )  # fmt: skip


def test_unexpected_failure_is_one_sentence_and_a_saved_detail(tmp_path):
    """No trace on the terminal, exit 70, and the trace in a file that only this user can read."""
    done = broken(tmp_path, "raise ValueError('bell\\x07 inside')", "schema", "profile")
    assert done.returncode == 70
    assert (done.stdout, done.stderr.count("\n")) == ("", 1)
    assert "\x07" not in done.stderr
    detail = Path(done.stderr.rsplit("saved in ", 1)[1].strip())
    assert detail.parent == tmp_path
    assert "ValueError" in detail.read_text()
    assert detail.stat().st_mode & 0o077 == 0


def test_verbose_failure_prints_the_trace(tmp_path):
    """With -v the trace is on standard error as well."""
    done = broken(tmp_path, "raise ValueError('inside')", "schema", "profile", "-v")
    assert done.returncode == 70
    assert "Traceback" in done.stderr


def test_interrupted_exits_130(tmp_path):
    """Ctrl-C ends with 130 and one sentence."""
    done = broken(tmp_path, "raise KeyboardInterrupt", "schema", "profile")
    assert (done.returncode, done.stderr) == (130, "formbath schema: interrupted\n")


def in_a_shell(line: str) -> subprocess.CompletedProcess[str]:
    """A line of bash in which `formbath` is the program and `code` says what the last command ended with."""
    said = f'formbath() {{ "{sys.executable}" "{ROOT / "formbath.py"}" "$@"; echo code $? >&2; }}; {line}'
    return subprocess.run(
        ["bash", "-c", said],
        check=False, capture_output=True, text=True, cwd=ROOT, timeout=60, stdin=subprocess.DEVNULL,
    )  # fmt: skip


@pytest.mark.parametrize("words", ["schema bath", "verify -h", "--help", "check x --json"])
def test_reader_that_leaves_is_told_by_the_code_alone(words):
    """`verify A B | head -1` proves nothing: it ends as a shell tells of SIGPIPE, without a word, help as well."""
    read_end, write_end = os.pipe()
    os.close(read_end)
    try:
        done = subprocess.run(
            [sys.executable, ROOT / "formbath.py", *words.split()],
            check=False, stdout=write_end, stderr=subprocess.PIPE, text=True, cwd=ROOT, timeout=60,
        )  # fmt: skip
    finally:
        os.close(write_end)
    assert done.returncode == 141
    assert "Exception" not in done.stderr


@pytest.mark.parametrize("words", ["schema bath", "verify -h", "--version"])
def test_output_that_cannot_be_written_is_one_line_and_no_success(words, tmp_path):
    """A full disk, a closed standard output: 74, one line, and no file with a trace."""
    who = "formbath" if words.startswith("-") else f"formbath {words.split()[0]}"
    for where, why in ((">/dev/full", "No space left on device"), (">&-", "standard output is closed")):
        done = in_a_shell(f"export TMPDIR={tmp_path}; formbath {words} {where}")
        assert done.stderr == f"{who}: cannot write output: {why}\ncode 74\n"
    assert list(tmp_path.iterdir()) == []


def test_a_service_needs_no_standard_output():
    """Only who has something to tell there is refused; without standard error nothing goes to standard output."""
    assert "cannot write output" not in in_a_shell("formbath run /nowhere.toml >&-").stderr
    done = in_a_shell("formbath verify /nowhere 2>&-; formbath --version")
    assert done.stdout == formbath("--version").stdout


def test_version_is_the_package_s():
    """One number in three places stays one number: the front door's, the package's, and that of records."""
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    assert formbath("--version").stdout == f"formbath {stated}\n"
    assert stated == VERSION


def test_module_imports_only_the_standard_library_at_its_top():
    """What a command needs is imported when it is asked for."""
    tree = ast.parse((ROOT / "formbath.py").read_text())
    top = {name.name for node in tree.body if isinstance(node, ast.Import) for name in node.names}
    top |= {str(node.module) for node in tree.body if isinstance(node, ast.ImportFrom)}
    assert {name.partition(".")[0] for name in top} <= sys.stdlib_module_names


def test_a_terminal_that_hung_up_fails_no_end():
    """What waited for it is dropped: flushed by the interpreter it would end the program with a code of its own."""
    said = """
import os, sys
import formbath
master, slave = os.openpty()
sys.stdout = os.fdopen(slave, "w", encoding="utf-8")
sys.stdout.write("half a line")
os.close(master)
formbath._answer = lambda words: 0
sys.exit(formbath.main([]))
"""
    ended = subprocess.run(
        [sys.executable, "-c", said], cwd=ROOT, capture_output=True, text=True, timeout=60, check=False
    )
    assert (ended.returncode, ended.stderr) == (0, "")
