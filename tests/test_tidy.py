"""Our style, as far as a program can hold it. Where a number stands below it may only be lowered."""

from __future__ import annotations

import ast
import re
import subprocess
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ROOMS = ("profiles", "controller", "simulator", "hil")
PRODUCT = sorted([ROOT / "formbath.py", *(file for room in ROOMS for file in (ROOT / room).rglob("*.py"))])
TESTS = sorted((ROOT / "tests").rglob("*.py"))
PURE = [f for f in PRODUCT if f.is_relative_to(ROOT / "controller/core") or f.name == "chemistry.py"]

LONGEST_FILE = 400
LONGEST_FUNCTION = 60
FUNCTIONS_OVER_40 = 2

# The clock of the process is read in one file; a client at the other end of the socket may bound its waits, and a wire
# may pause as long as its device needs.
CLOCKS = {"controller/service/clock.py", "controller/service/client.py", "controller/field/link.py"}

UNITS = (
    "A", "V", "W", "C", "K", "Ah", "Wh", "kWh", "kW", "kg", "g", "L", "mL", "m", "mm", "m2", "m3", "s", "ms", "min",
    "minutes", "hours", "h", "ohm", "mohm", "percent", "C20", "bar", "Pa", "J", "kJ", "mol", "m3_h", "L_min", "LEL",
    "V_per_cell", "mV_per_cell", "percent_per_hour", "ohm_per_V", "MB",
)  # fmt: skip
UNIT = re.compile(rf"(?:^|_)(?:{'|'.join(UNITS)})(?:_(?:min|max|per_\w+))?$")
# Numbers without a unit: counts, shares, codes, and words of the trade that carry none.
UNITLESS = {
    "number", "value", "limit", "density", "refill_density", "scale", "offset", "equals", "seconds",
    "steady_rise", "scatter", "fault_code", "share", "factor", "ratio", "low", "high", "fair_ms",
    "level", "baseline_share", "volts_per_cell",
}  # fmt: skip


DOCUMENT = re.compile(r"(?<![\w.*{}-])([A-Za-z][\w-]*\.md)\b")


def name_of(file: Path) -> str:
    return file.relative_to(ROOT).as_posix()


@cache
def nodes_of(file: Path) -> tuple[ast.AST, ...]:
    """All nodes of a file's tree, its module first; read once for all tests here."""
    return tuple(ast.walk(ast.parse(file.read_text(encoding="utf-8"), str(file))))


def tree_of(file: Path) -> ast.Module:
    module = nodes_of(file)[0]
    assert isinstance(module, ast.Module)
    return module


@pytest.fixture(scope="module", autouse=True)
def forget() -> Iterator[None]:
    """Trees are large: they go when the tests of this file have ended."""
    yield
    nodes_of.cache_clear()
    calls.cache_clear()


def functions(file: Path) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in nodes_of(file):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def length(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function, its docstring not counted."""
    lines = (node.end_lineno or node.lineno) - node.lineno + 1
    first = node.body[0]
    if ast.get_docstring(node) is not None:
        lines -= (first.end_lineno or first.lineno) - first.lineno + 1
    return lines


@cache
def calls(file: Path) -> tuple[tuple[str, ast.Call], ...]:
    return tuple((ast.unparse(node.func), node) for node in nodes_of(file) if isinstance(node, ast.Call))


def imports(file: Path) -> Iterator[str]:
    for node in nodes_of(file):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module or ""


def test_product_is_found():
    """The checks below look at something: every room has files, and so has the core."""
    assert all(any(file.is_relative_to(ROOT / room) for file in PRODUCT) for room in ROOMS)
    assert len(PURE) > 5
    assert TESTS


def test_only_the_clock_reads_the_clock():
    """Process time comes from one file; everybody else is handed it."""
    words = (
        "time.time",
        "time.monotonic",
        "time.perf_counter",
        "time.sleep",
        "time.clock_gettime",
        "time.process_time",
    )
    ends = ("datetime.now", "datetime.utcnow", "datetime.today", "date.today", "asyncio.sleep", "utcfromtimestamp")
    found = [
        f"{name_of(file)}:{call.lineno}: {called}"
        for file in PRODUCT
        if name_of(file) not in CLOCKS
        for called, call in calls(file)
        if ast.unparse(call) != "asyncio.sleep(0)"  # only gives way
        if called.startswith(words) or called.endswith(ends)
    ]
    assert found == []


def test_clock_is_not_imported_by_name():
    """`from time import ...` would hide a clock from the check above."""
    hidden = [
        f"{name_of(file)}:{node.lineno}"
        for file in PRODUCT
        for node in nodes_of(file)
        if isinstance(node, ast.ImportFrom) and node.module == "time"
    ]
    assert hidden == []


def test_core_has_no_clock_and_no_input_or_output():
    """What decides gets its time and its readings handed in."""
    banned = {
        "time",
        "datetime",
        "asyncio",
        "socket",
        "os",
        "io",
        "pathlib",
        "threading",
        "random",
        "logging",
        "subprocess",
    }
    found = [f"{name_of(file)}: {name}" for file in PURE for name in imports(file) if name.partition(".")[0] in banned]
    found += [
        f"{name_of(file)}: {called}"
        for file in PURE
        for called, _ in calls(file)
        if called in {"open", "print", "input"}
    ]
    assert found == []


def test_core_is_the_same_on_every_machine():
    """Functions of `math` differ in the last bit from machine to machine; the core uses none but the exact ones."""
    exact = {
        "math.isfinite",
        "math.isnan",
        "math.floor",
        "math.ceil",
        "math.inf",
        "math.nan",
        "math.fsum",
        "math.trunc",
    }
    core = [file for file in PURE if "core" in file.parts]
    used = {
        f"{name_of(file)}: {ast.unparse(node)}"
        for file in core
        for node in nodes_of(file)
        if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "math" and ast.unparse(node) not in exact
    }
    assert used == set()


def test_no_bare_except():
    """An exception is caught by its name; one that is caught whole says why beside it."""
    found = []
    for file in PRODUCT:
        lines = file.read_text(encoding="utf-8").splitlines()
        for node in nodes_of(file):
            if not isinstance(node, ast.ExceptHandler):
                continue
            caught = "" if node.type is None else ast.unparse(node.type)
            whole = caught in {"", "BaseException"} or (caught == "Exception" and name_of(file) != "formbath.py")
            if (
                whole
                and not isinstance(node.body[-1], ast.Raise)
                and not re.search(r"# noqa: BLE001 - \w", lines[node.lineno - 1])
            ):
                found.append(f"{name_of(file)}:{node.lineno}: except {caught}")
    assert found == []


def test_no_naive_datetime():
    """A moment without its zone is never made."""
    found = []
    for file in PRODUCT:
        for called, call in calls(file):
            given = {keyword.arg for keyword in call.keywords}
            naive = (
                (called.endswith("datetime.now") and not call.args and "tz" not in given)
                or (called in {"datetime", "datetime.datetime"} and "tzinfo" not in given and len(call.args) < 8)
                or (called.endswith("datetime.fromtimestamp") and len(call.args) < 2 and "tz" not in given)
                or (called.endswith("datetime.strptime") and "%z" not in ast.unparse(call))
                or called.endswith(("utcnow", "utcfromtimestamp"))
            )
            if naive:
                found.append(f"{name_of(file)}:{call.lineno}: {ast.unparse(call)}")
    assert found == []


def float_fields() -> Iterator[tuple[Path, ast.AnnAssign, str]]:
    """Fields of classes in the core and of the files that people write, whose type holds a float."""
    files = [*PURE, *(f for f in PRODUCT if f.name in {"profile.py", "bathmodel.py", "registermap.py"})]
    for file in files:
        for node in nodes_of(file):
            if isinstance(node, ast.ClassDef):
                for field in node.body:
                    named = isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name)
                    if named and re.search(r"^(Annotated\[)?float\b", ast.unparse(field.annotation)):
                        yield file, field, field.target.id


def test_quantities_have_their_unit_in_the_name():
    """`current_A`, not `current`: a number with a fraction says its unit, or is in the list of those without one."""
    bare = [
        f"{name_of(file)}:{field.lineno}: {name}"
        for file, field, name in float_fields()
        if not UNIT.search(name) and name not in UNITLESS
    ]
    assert len(list(float_fields())) > 50
    assert bare == []


def test_functions_are_short():
    """No function is longer than the limit, and those over 40 lines are not more than there were."""
    long = [
        (length(node), f"{name_of(file)}:{node.lineno} {node.name}") for file in PRODUCT for node in functions(file)
    ]
    assert [entry for entry in long if entry[0] > LONGEST_FUNCTION] == []
    over = [entry for entry in long if entry[0] > 40]
    assert len(over) <= FUNCTIONS_OVER_40, over


def test_files_are_short():
    """A file that grows past the limit is two files."""
    lines = {name_of(file): len(file.read_text(encoding="utf-8").splitlines()) for file in PRODUCT}
    assert {name: count for name, count in lines.items() if count >= LONGEST_FILE} == {}


def test_files_of_the_core_can_be_read_in_one_sitting():
    """The room that decides has no file above 300 lines."""
    core = (ROOT / "controller/core").rglob("*.py")
    lines = {name_of(file): len(file.read_text(encoding="utf-8").splitlines()) for file in core}
    assert len(lines) > 80
    assert {name: count for name, count in lines.items() if count > 300} == {}


def test_every_test_says_what_it_pins():
    """Each test has a docstring; a docstring that only repeats the name does not count."""
    mute = []
    for file in TESTS:
        for node in functions(file):
            said = ast.get_docstring(node) or ""
            if node.name.startswith("test_") and (
                len(said) < 15 or said.lower().rstrip(".") == node.name[5:].replace("_", " ")
            ):
                mute.append(f"{name_of(file)}:{node.lineno} {node.name}")
    assert mute == []


def test_names_of_test_files_are_unique():
    """Two test files of one name are hard to tell apart in a log."""
    names = [file.name for file in TESTS if file.name != "conftest.py"]
    assert sorted(names) == sorted(set(names))
    assert not [name_of(file) for file in TESTS if file.name == "__init__.py"]


def test_tests_do_not_sleep():
    """A test waits for a condition with a bound, never for a while; sleep(0) only gives way."""
    found = [
        f"{name_of(file)}:{call.lineno}"
        for file in TESTS
        for called, call in calls(file)
        if called in {"time.sleep", "asyncio.sleep", "sleep"}
        and ast.unparse(call.args[0] if call.args else call) != "0"
    ]
    assert found == []


@pytest.mark.parametrize("room", ROOMS)
def test_init_files_hold_a_docstring_only(room):
    """Code in `__init__` is out of sight of the import rules; the docstring says what a room is for."""
    folders = {file.parent for file in PRODUCT if file.is_relative_to(ROOT / room)}
    for folder in folders:
        body = tree_of(folder / "__init__.py").body
        assert len(body) == 1, folder
        assert isinstance(body[0], ast.Expr), folder
        assert len(ast.get_docstring(tree_of(folder / "__init__.py")) or "") > 30, folder


def test_every_module_opens_with_its_purpose():
    """The first thing in a file is why it exists."""
    assert [name_of(file) for file in [*PRODUCT, *TESTS] if len(ast.get_docstring(tree_of(file)) or "") < 20] == []


def test_nobody_imports_the_front_door():
    """formbath.py stands on top; the import rules cannot see a single file, so this does."""
    found = [
        name_of(file) for file in [*PRODUCT, *TESTS] if "formbath" in {name.partition(".")[0] for name in imports(file)}
    ]
    assert found == []


def test_packages_and_their_files_are_all_installed():
    """Every package and every TOML file in it is in pyproject.toml's lists, so that an installed formbath is whole."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
    packages = {name_of(file.parent).replace("/", ".") for room in ROOMS for file in (ROOT / room).rglob("__init__.py")}
    assert packages == set(settings["packages"])
    listed = {
        name_of(file)
        for package, patterns in settings["package-data"].items()
        for pattern in patterns
        for file in (ROOT / package.replace(".", "/")).glob(pattern)
    }
    assert listed == {name_of(file) for room in ROOMS for file in (ROOT / room).rglob("*.toml")}


def texts() -> list[Path]:
    """Every text file that is ours: what git knows or would add; without git, everything outside hidden folders."""
    listing = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    if listing.returncode == 0 and listing.stdout:
        files = [ROOT / name for name in listing.stdout.decode().split("\0") if name]
    else:
        shown = (
            path for path in ROOT.rglob("*") if not any(part.startswith(".") for part in path.relative_to(ROOT).parts)
        )
        files = [path for path in shown if path.is_file() and path.suffix in {".py", ".toml", ".md", ".sh", ""}]
    return [file for file in files if file.is_file() and file != Path(__file__)]


def text_of(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return ""


def found_in_texts(pattern: str) -> list[str]:
    rule = re.compile(pattern, re.IGNORECASE)
    return [
        f"{name_of(file)}:{number}: {line[:80]}"
        for file in texts()
        for number, line in enumerate(text_of(file).splitlines(), 1)
        if rule.search(line)
    ]


def test_no_hosts_of_package_registries():
    """Packages come by their names, from wherever the user's tools are set to look."""
    hosts = r"https?://[^\s\"')]*(?:registry|simple/|packages/)|--(?:extra-)?index-url|find-links"
    assert found_in_texts(hosts) == []


def test_no_words_about_how_it_was_made():
    """Files speak of baths and batteries, not of what wrote them."""
    words = r"[l]anguage model|\b[l]lm\b|[c]hatbot|[c]opilot|\b[a]s an ai\b|\b[a]i[- ](generated|written|assisted)"
    assert found_in_texts(words) == []


def test_documents_that_are_named_are_there():
    """Whoever reads the project has all of it: each document that a text names is in it, no path leads out of it."""
    known = {file.name for file in texts()} | {"README.txt"}
    named = {(name_of(file), name) for file in texts() for name in DOCUMENT.findall(text_of(file))}
    assert [entry for entry in named if entry[1] not in known] == []
    assert found_in_texts(r"(?<![\w.])\.\./[a-z]\w*/|(?<![\w.])\.\./\.\w") == []


def test_nothing_is_left_to_do():
    """What is not done is not promised in a comment."""
    marks = "|".join(("TO" + "DO", "FIX" + "ME", "X" + "XX:", "HACK" + ":"))
    assert found_in_texts(rf"\b({marks})\b") == []
