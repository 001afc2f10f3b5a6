"""The table of all alarms in DEVELOPERS.md: true to the laws and their words, and no alarm without a reason."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from controller import alarmtable, words
from controller.core.interlocks import BATH_LAWS, CIRCUIT_LAWS
from controller.texts.alarmtext import AlarmText

ROOT = Path(__file__).parents[1]
LAWS = {law.code: law for law in (*CIRCUIT_LAWS, *BATH_LAWS)}


def test_the_table_of_the_document_is_made_from_the_laws():
    """After a change: python -m controller.alarmtable --write DEVELOPERS.md."""
    document = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert alarmtable.placed(document, alarmtable.table()) == document


def test_every_law_is_in_it_once():
    """Each with a text of its own, and no text without a law."""
    found = [law.code for law, _ in alarmtable.entries()]
    assert found == sorted(LAWS)
    assert set(words.ALARMS) == set(LAWS)


@pytest.mark.parametrize("code", sorted(LAWS))
def test_no_cell_is_empty(code):
    """Priority 1, 2 or 3; a cause, a consequence and something to do; a time; a file that holds the law."""
    law, file = next(entry for entry in alarmtable.entries() if entry[0].code == code)
    row = alarmtable.cells(law, file, words.ALARMS[code])
    assert len(row) == len(alarmtable.COLUMNS)
    assert all(cell.strip(" `*.") for cell in row), row
    assert law.priority in {1, 2, 3}
    assert f'"{code}"' in (ROOT / file).read_text(encoding="utf-8")
    assert not re.search(r"[{}\n]|(?<!\\)\|", "".join(row))


def test_consequences_are_not_copies():
    """What happens if nobody acts is no repetition of the cause, nor of what to do."""
    for code, text in words.ALARMS.items():
        assert text.consequence not in (text.cause, text.did, text.do), code


def test_a_law_is_found_by_its_hazard():
    """Who looks for the probe at 57 C finds the file by its name in the index, and the file says it is about that."""
    (line,) = [line for line in alarmtable.table().splitlines() if line.startswith("| `controller/core/laws/probe.py`")]
    assert "`probe_hold`" in line
    assert len([line for line in alarmtable.table().splitlines() if line.startswith("| `controller/")]) == len(
        alarmtable.law_modules()
    )


def test_places_and_columns_of_a_text_are_shown_as_such():
    """A value's place has its name, a bar ends no column, a shared caution stands as its sign."""
    text = AlarmText("a {value:.1f} | b {limit}", "nothing", f"first. {words.LOOK_ONLY}", consequence="harm")
    row = alarmtable.cells(LAWS["probe_hold"], "some/file.py", text)
    assert row == ("`probe_hold`", "2", "hold", "a *value* \\| b *limit*", "harm", "first. *look only*", "30 min",
                   "`some/file.py`")  # fmt: skip


def test_the_command_prints_writes_and_says_how(tmp_path, capsys):
    """Printing is the default; a file without markers is left as it is."""
    assert alarmtable.main([]) == 0
    assert capsys.readouterr().out == alarmtable.table() + "\n"
    file = tmp_path / "table.txt"
    file.write_text(f"above\n{alarmtable.BEGIN}\nold\n{alarmtable.END}\nbelow\n", encoding="utf-8")
    assert alarmtable.main(["--write", str(file)]) == 0
    wanted = f"above\n{alarmtable.BEGIN}\n\n{alarmtable.table()}\n\n{alarmtable.END}\nbelow\n"
    assert file.read_text(encoding="utf-8") == wanted
    assert alarmtable.main(["--write"]) == 2
    assert "python -m controller.alarmtable" in capsys.readouterr().err
    with pytest.raises(ValueError, match="no place"):
        alarmtable.placed("nothing here", "x")
