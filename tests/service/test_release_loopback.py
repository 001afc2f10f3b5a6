"""The real service on loopback: it loads what was released, and refuses the same profile once one line was changed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller.service.client import Connection, new_id
from controller.service.protocol import OrderMessage
from controller.verify.runfolder import verify_run
from profiles.loader import parse_document
from profiles.release import Release, digest, release_place, release_text, write_release

SMALL = Path(__file__).parent / "small"
BATH, PROFILE = ((SMALL / name).read_text(encoding="utf-8") for name in ("bath.toml", "profile.toml"))
ASKS = BATH.replace("virtual = true\n", "virtual = true\nrequire_release = true\n")


def release():
    data = parse_document(PROFILE, "text").data
    return Release(
        kind="release", format="formbath/release/1", profile=data["name"], revision=1, sha256=digest(PROFILE),
        text=PROFILE, person="ines", reason="first", utc="2026-03-16T06:00:00Z", versions={}, model={}, settings={},
        water_C=(15.0, 35.0), course=(), totals={}, confirmed=(), study={},
    )  # fmt: skip


def order(socket_path: Path, verb: str, **args):
    with Connection(socket_path) as connection:
        return connection.order(OrderMessage(id=new_id(), verb=verb, target="A01", args=args))


def load(socket_path: Path, profile: Path):
    return order(
        socket_path, "load", profile=str(profile), batch="T1:1-2", first_filled_minutes_ago=60,
        last_filled_minutes_ago=60,
    )  # fmt: skip


def circuit(socket_path: Path) -> dict:
    with Connection(socket_path) as connection:
        return connection.snapshot()["circuits"][0]


def stands_idle(program, bath: Path):
    """A service that takes orders, and its socket."""
    service, socket_path = program.service(bath)
    program.until(lambda: circuit(socket_path)["state"] == "idle", 30)
    return service, socket_path


@pytest.mark.slow
def test_a_changed_profile_is_refused_and_the_released_one_runs(program, tmp_path, free_port):
    """No release, a changed line, a damaged release: refused, each with its reason. Released: it runs, on record."""
    bath, profile = tmp_path / "bath.toml", tmp_path / "profile.toml"
    bath.write_text(ASKS.format(port=free_port))
    profile.write_text(PROFILE)
    plant = program.start("simulate", str(bath))
    program.until(lambda: plant.line_with("virtual plant runs"), 60)
    service, socket_path = stands_idle(program, bath)

    refused = load(socket_path, profile)
    assert (refused.accepted, refused.code) == (False, "not_released")
    assert "four ampere, revision 1, is not released" in refused.text

    write_release(release_place(profile), release())
    profile.write_text(PROFILE.replace("current_A = 4", "current_A = 5"))
    refused = load(socket_path, profile)
    assert (refused.accepted, refused.code) == (False, "not_released")
    assert "profile.toml:9: changed since its release (revision 1, by ines" in refused.text
    assert "was: current_A = 4; is: current_A = 5" in refused.text

    profile.write_text(PROFILE)
    release_place(profile).write_text(release_text(release()).replace('"ines"', "NaN"))
    refused = load(socket_path, profile)
    assert (refused.accepted, refused.code) == (False, "not_released")
    assert "its release cannot be used: profile.release.json" in refused.text
    assert circuit(socket_path).get("load") is None

    write_release(release_place(profile), release())
    accepted = load(socket_path, profile)
    assert accepted.accepted, accepted.text
    release_place(profile).unlink()  # what stands beside it later changes nothing
    assert service.end() == 0, service.said
    service, socket_path = stands_idle(program, bath)
    # Refused as late for as long as a busy machine let a cycle wait.
    program.until(lambda: order(socket_path, "start").accepted, 30)
    program.until(lambda: any((path / "run.json").is_file() for path in (tmp_path / "runs").iterdir()), 30)
    assert service.end() == 0, service.said
    assert plant.end() == 0, plant.said
    (run,) = (path for path in (tmp_path / "runs").iterdir() if (path / "run.json").is_file())
    kept = json.loads((run / "run.json").read_bytes())
    assert kept["load"]["released"] is True
    text = release_text(release())
    assert kept["release"] == {"name": "profile.release.json", "sha256": digest(text), "text": text}
    assert verify_run(run).wrong == []


@pytest.mark.slow
def test_a_real_bath_without_releases_says_so_at_start(program, tmp_path):
    """On the error stream, before anything is reached."""
    text = ASKS.replace("virtual = true\n", "").replace("{port}", "1").replace("_release = true", "_release = false")
    bath = tmp_path / "bath.toml"
    bath.write_text(text + '[people.technician]\nusers = ["ines"]\n')
    ended = program.command("run", str(bath), "--headless")
    assert ended.returncode in (2, 3), ended.stderr
    assert "bath.toml:4: warning: require_release = false: profiles that nobody studied and released" in ended.stderr
