"""A real bath that takes profiles which nobody released says so on every page, like a demo does."""

from __future__ import annotations

import pytest
from pictures import PAGES, circuit, picture, scene

from controller.console import frame


def line(shown, width=80):
    return frame.top(shown, width)[0].text


@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("page", PAGES)
def test_it_stands_beside_the_path(page, width):
    """Whatever the page, and nowhere where the bath asks for releases."""
    assert "UNRELEASED ALLOWED" in line(
        scene(picture(unreleased=True, hall="a hall of a very long name"), page=page), width
    )
    assert "UNRELEASED" not in line(scene(picture(), page=page), width)


def test_a_mixed_hall_names_the_baths():
    """On the hall page with their names; on a bath's own page only where it is that bath."""
    mixed = (picture(), picture([circuit("B01")], bath="B", unreleased=True))
    assert "UNRELEASED ALLOWED: B" in line(scene(*mixed))
    assert "UNRELEASED" not in line(scene(*mixed, page="bath", bath="A"))
    assert "UNRELEASED ALLOWED " in line(scene(*mixed, page="bath", bath="B"))


def test_it_stands_beside_demo():
    """A virtual bath and a real one, each under its own word."""
    mixed = (picture(virtual=True), picture([circuit("B01")], bath="B", unreleased=True))
    assert "DEMO: A UNRELEASED ALLOWED: B" in line(scene(*mixed), 120)
    assert "REPLAY" in line(scene(*mixed, replay=True), 120)
    assert "UNRELEASED" not in line(scene(*mixed, replay=True), 120)
