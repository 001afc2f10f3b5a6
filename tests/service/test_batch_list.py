"""The list of what stands where in a string."""

from __future__ import annotations

import pytest

from controller.records.batchlist import Batch, count, parse_batches


def test_list_in_any_order_with_a_link_in_between():
    """Batches are put in the order of their positions; an empty place (a link) is no battery."""
    batches = parse_batches("K3108:13-18, K3107:1-11")
    assert batches == (Batch("K3107", 1, 11), Batch("K3108", 13, 18))
    assert count(batches) == 17


def test_single_position():
    """One battery needs no range."""
    assert parse_batches("K1:4") == (Batch("K1", 4, 4),)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "empty list"),
        ("K3107", "is not BATCH:FIRST-LAST"),
        ("K3107:0-3", "upwards from 1"),
        ("K3107:5-3", "upwards from 1"),
        ("K3107:1-61", "at most 60"),
        ("../x:1-2", "is not BATCH:FIRST-LAST"),
        ("=1+1:1-2", "is not BATCH:FIRST-LAST"),
        ("K1:1-5 K2:5-9", "position 5 is taken by K1 and by K2"),
    ],
)
def test_wrong_list_says_what_is_wrong(text, says):
    """Each way to mistype the list has its sentence."""
    with pytest.raises(ValueError, match=says.replace(".", r"\.")):
        parse_batches(text)
