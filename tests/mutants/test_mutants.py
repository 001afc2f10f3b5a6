"""The trial of the core's tests by small changes: that it lists, chooses, runs and reports as it says."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

pytest.importorskip("cosmic_ray", reason="needs pip install -e '.[mutants]'")

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(HERE))

choice, listing, report = (import_module(name) for name in ("choice", "listing", "report"))

SOURCE = '''"""What a bath does."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from numbers import Number as N1


@dataclass(slots=True)
class Bath:
    """Two 2s that nobody reads."""

    __slots__ = ("level_m1", 3 + 4)
    level: float | int = 5.0


def filled(level: int | float, /, *, most: float | None = None) -> bool | None:
    """Say 1 + 1."""
    return level in {7} and min(level, most) <= most
'''


def lines_of(source):
    return {
        (mutant.operator, source.splitlines()[mutant.line - 1].strip()) for mutant in listing.mutants_of("x", source)
    }


def test_only_what_decides_is_changed():
    """No mutant stands in a docstring, an annotation, an import, `__slots__` or what a type checker reads."""
    where = {line for _, line in lines_of(SOURCE)}
    assert where == {
        "@dataclass(slots=True)",
        "level: float | int = 5.0",
        "return level in {7} and min(level, most) <= most",
    } | {line for line in where if line.startswith("def filled")}
    assert {name for name, line in lines_of(SOURCE) if line.startswith("@")} == {"RemoveDecorator"}
    assert {name for name, line in lines_of(SOURCE) if line.startswith("level:")} == {"NumberReplacer"}
    for mutant in listing.mutants_of("x", SOURCE):
        if SOURCE.splitlines()[mutant.line - 1].startswith("def filled"):
            assert listing.change_of(SOURCE, mutant) is None


def test_operators_comparisons_numbers_and_words_are_changed():
    """Each kind of change is listed and comes out as Python that differs in its own line only."""
    made = {
        (mutant.operator, change.after)
        for mutant in listing.mutants_of("x", SOURCE)
        if (change := listing.change_of(SOURCE, mutant)) is not None
    }
    assert {
        ("NumberReplacer", "level: float | int = 6.0"),
        ("NumberReplacer", "level: float | int = 4.0"),
        ("ReplaceAndWithOr", "return level in {7} or min(level, most) <= most"),
        ("ReplaceInWithNotIn", "return level not in {7} and min(level, most) <= most"),
        ("ReplaceMinWithMax", "return level in {7} and max(level, most) <= most"),
        ("ReplaceComparisonOperator_LtE_Lt", "return level in {7} and min(level, most) < most"),
        ("RemoveDecorator", ""),
    } <= made


@pytest.mark.parametrize(
    ("operator", "before", "after"),
    [
        ("ReplaceNotInWithIn", "a = b not in c", "a = b  in c"),
        ("ReplaceMaxWithMin", "a = max(b)", "a = min(b)"),
        ("ReplaceAnyWithAll", "a = any(b)", "a = all(b)"),
        ("ReplaceAllWithAny", "a = all(b)", "a = any(b)"),
        ("ReplaceInPlace_Add_Sub", "a += b", "a -= b"),
        ("ReplaceInPlace_Sub_Add", "a -= b", "a += b"),
    ],
)
def test_own_swaps(operator, before, after):
    """Each of our own operators acts, once."""
    (mutant,) = [mutant for mutant in listing.mutants_of("x", before) if mutant.operator == operator]
    assert listing.change_of(before, mutant) == listing.Change(after, before, after)


def test_a_loop_and_a_name_are_not_taken_for_a_comparison_or_a_call():
    """`for x in y` has no contrary, and `max` as a name is not called."""
    assert listing.mutants_of("x", "a = [b for b in c]\nd = max\ne.max = f") == []


def test_tests_that_speak_of_a_file_come_first():
    """By the file's name, then by what it defines, its laws' codes among them; then the others, quick ones first."""
    source = "def too_hot(view): ...\n\nLAWS = (Law('probe_hold', 1),)\n"
    tests = {
        "tests/core/test_core_far.py": "",
        "tests/core/test_core_near.py": "assert too_hot(view), 'probe_hold'",
        "tests/core/test_core_laws_probe.py": "",
        "tests/core/test_core_long.py": "too_hot",
        "tests/core/test_core_farther.py": "",
    }
    seconds = dict(zip(tests, (0.3, 0.5, 0.4, 9.0, 0.1), strict=True))
    first, rest = choice.rounds("controller/core/laws/probe.py", source, tests, seconds)
    assert [Path(name).stem for name in first] == ["test_core_laws_probe", "test_core_near"]
    assert [Path(name).stem for name in rest] == ["test_core_farther", "test_core_far", "test_core_long"]


def test_harmless_entries_have_their_line_and_their_reason():
    """The list is whole, and every line it quotes is still in its file."""
    entries = report.read_harmless(HERE / "harmless.txt")
    assert report.stale(entries, ROOT) == []


def test_a_harmless_entry_fits_its_line_and_operator_only(tmp_path):
    """The same operator on another line, or another operator on that line, is a survivor like any other."""
    list_ = tmp_path / "harmless.txt"
    list_.write_text("# list\nx.py :: a > 0 :: Replace*_Gt_NotEq :: a is a count\n")
    entries = report.read_harmless(list_)

    def reason(line, operator):
        mutant = listing.Mutant("x.py", operator, 0, 1)
        return report.reason_of(report.Result(mutant, listing.Change("", line, ""), "survived"), entries)

    assert reason("if a > 0:", "ReplaceComparisonOperator_Gt_NotEq") == "a is a count"
    assert reason("if b > 0:", "ReplaceComparisonOperator_Gt_NotEq") == ""
    assert reason("if a > 0:", "ReplaceComparisonOperator_Gt_Lt") == ""
    assert reason("if a > 0:", "ReplaceBinaryOperator_Gt_NotEq") == "a is a count"
    (tmp_path / "x.py").write_text("if b > 0:\n")
    assert report.stale(entries, tmp_path) == entries
    list_.write_text("**/*.py :: b > 0 :: * :: a reason\n")
    entries = report.read_harmless(list_)
    assert reason("if b > 0:", "AddNot") == "a reason"
    assert report.stale(entries, tmp_path) == []
    list_.write_text("x.py :: a > 0 :: Replace\n")
    with pytest.raises(ValueError, match=r"harmless\.txt:1"):
        report.read_harmless(list_)


def make_project(root, tests):
    """A project with one function in its core, whose loop has no end without its `break`."""
    core = root / "controller/core"
    core.mkdir(parents=True)
    for folder in (core, core.parent):
        (folder / "__init__.py").write_text('"""Core."""\n')
    poured = "def poured(level):\n    while True:\n        level = level + 1\n        break\n    return level > 2\n"
    (core / "pour.py").write_text(poured)
    (root / "tests/core").mkdir(parents=True)
    (root / "pyproject.toml").write_text(
        '[tool.pytest.ini_options]\naddopts = "--import-mode=importlib"\npythonpath = ["."]\nmarkers = ["slow: long"]\n'
    )
    (root / "tests/core/test_core_pour.py").write_text(f"from controller.core.pour import poured\n\n\n{tests}")
    return root


def trial_of(root, *words):
    command = [sys.executable, str(ROOT / "tests/mutants.py"), "--root", str(root), "--workers", "2", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)


@pytest.mark.slow
def test_a_trial_from_end_to_end(tmp_path):
    """Killed, survived and endless mutants are told apart, the exit code follows, and the checkout is untouched."""
    root = make_project(tmp_path / "project", "def test_pour():\n    assert poured(5)\n    assert not poured(0)\n")
    before = {file: file.read_bytes() for file in root.rglob("*.*")}
    survivors = tmp_path / "survivors.txt"
    one = ("--file", "controller/core/pour.py", "--survivors", str(survivors))
    run = trial_of(root, *one, "--least", "30")
    assert run.returncode == 0, run.stdout + run.stderr
    assert "pour.py:5: ReplaceComparisonOperator_Gt_GtE: return level > 2 -> return level >= 2" in survivors.read_text()
    assert "Gt_Lt:" not in survivors.read_text()
    assert " 1 timed out" in run.stdout.splitlines()[-1]
    assert trial_of(root, *one, "--least", "100").returncode == 1
    assert {file: file.read_bytes() for file in root.rglob("*.*")} == before


@pytest.mark.slow
def test_a_trial_wants_tests_that_pass(tmp_path):
    """Where the unchanged core fails its tests, every mutant would look noticed: that is refused, and said."""
    run = trial_of(make_project(tmp_path / "project", "def test_pour():\n    assert poured(1)\n"))
    assert run.returncode == 2
    assert "test_core_pour.py ends with 1" in run.stderr
    assert trial_of(tmp_path / "project", "--file", "controller/core/none.py").returncode == 2
