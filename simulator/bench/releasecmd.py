"""The command `release`: check, dry run and study of one text, in this order; what differs, why, and a typed name.

The profile is read once; whatever a person confirms is of that text, and a file changed meanwhile is refused. Nothing
is written before the last word was typed. Exit 1: it cannot be released as things stand; 2: something said was wrong.
"""

from __future__ import annotations

import argparse
import os
import platform
import pwd
import shlex
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import numpy as np

from controller.bathfile import Bath
from controller.core.version import CORE
from controller.records.ours import VERSION
from controller.records.rows import time_utc
from controller.service.clock import wall_ms
from profiles.loader import found_profile, load_model, read_document
from profiles.problems import InputError, Problem, clean
from profiles.profile import Profile
from profiles.release import LONGEST_TEXT, Release, read_release, release_place, write_release
from simulator.bench import releasing
from simulator.bench.asked import add_setting_arguments, asked
from simulator.bench.batches import jobs
from simulator.bench.dry import run_dry
from simulator.bench.releasing import Dry, Noted, Remark, Signed, Study, Wanted
from simulator.bench.study import run_study
from simulator.bench.studypool import WorkerLost

NAME = "release"
DONE, REFUSED, FAILED = 0, 1, 70
STRINGS, SEED = 256, 1
MOST_STRINGS, MOST_WORKERS, MOST_SEED = 100_000, 1_024, 2**63 - 1
LONGEST_REASON = 500
RANGE_C = (0.0, 50.0)
OPTIONS = ("water_C", "batteries", "circuits", "air_C", "bath", "model", "strings", "seed", "workers")
"""Options that say on what a profile is tried, by their names in the arguments."""


@dataclass(frozen=True, slots=True)
class Talk:
    """Where results and prompts go, and whether somebody is there to answer (`ask` reads a line; None: a script)."""

    out: TextIO
    err: TextIO
    ask: Callable[[], str] | None

    def asked(self, question: str) -> str:
        """The answer to a question, "" where nobody can give one."""
        if self.ask is None:
            return ""
        print(question, end=" ", file=self.err, flush=True)
        return self.ask().strip()


@dataclass(frozen=True, slots=True)
class Bench:
    """The two tries that a release rests on."""

    dry_run: Callable[[Wanted], Dry]
    study: Callable[[Wanted], Study]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("profile", metavar="PROFILE", help="the profile's file, which the release will stand beside")
    parser.add_argument("--water-C", metavar="LOW:HIGH", help="water to study (what the profile says)")
    add_setting_arguments(parser, water=False, faults=False)
    parser.add_argument("--strings", type=int, default=STRINGS, metavar="N", help="to study (%(default)s)")
    parser.add_argument("--seed", type=int, default=SEED, metavar="N", help="of their differences (%(default)s)")
    parser.add_argument(
        "--workers", type=int, default=0, metavar="N", help="processes (as many as there are processors)"
    )
    parser.add_argument("--reason", metavar="TEXT", help="why; names a trip of the study that is accepted")
    parser.add_argument("--confirm", metavar="NAME/REV", help="the profile's name and revision, for scripts")
    parser.add_argument(
        "--accept",
        nargs="+",
        action="extend",
        default=[],
        metavar="CODE",
        help="warnings that a script accepts, or all",
    )


def run(args: argparse.Namespace) -> int:
    """Release a profile. Returns 0, or 1 where it cannot be released; raises InputError (exit 2)."""
    ask = sys.stdin.readline if sys.stdin.isatty() else None
    talk = Talk(sys.stdout, sys.stderr, ask)
    try:
        return release(args, talk, Bench(joined_dry_run, joined_study))
    except WorkerLost as error:
        print(f"release: {clean(str(error), 300)}; nothing was written", file=talk.err)
        return FAILED


def joined_dry_run(wanted: Wanted) -> Dry:
    """The bench's own dry run, at the hottest water of the range."""
    return run_dry(wanted.asked)


def joined_study(wanted: Wanted) -> Study:
    """The bench's own study. Raises WorkerLost."""
    return run_study(
        wanted.asked, strings=wanted.strings, seed=wanted.seed, workers=wanted.workers, water_C=wanted.water_C
    )


def studied_water_C(wanted: Wanted) -> tuple[float, float]:
    """The coldest and hottest water that the study's strings lie in: one string does not reach both ends of a range."""
    every = jobs(wanted.asked.setting, wanted.strings, wanted.seed, wanted.water_C)
    found = [water_C for job in every for water_C in job.waters_C or (job.setting.water_C,)]
    return min(found), max(found)


def release(args: argparse.Namespace, talk: Talk, bench: Bench) -> int:
    """The command with its surroundings handed in."""
    wanted = wanted_of(args)
    place = release_place(wanted.document.path)
    _look_at(place)
    before, unusable = _before(place)
    _sayable(args, wanted, talk)
    clash = releasing.same_revision(wanted, before)
    if clash is not None:
        return _refuse(talk, [clash])
    reason = clean(args.reason or "", LONGEST_REASON).strip()
    remarks: list[Remark] = [*unusable, *releasing.check_remarks(wanted, before)]
    print(f"check    {_counted(remarks)}", file=talk.out, flush=True)
    dry = bench.dry_run(wanted)
    print(f"dry run  {clean(dry.said, 200)}", file=talk.out, flush=True)
    remarks += dry.remarks
    if any(each.error for each in remarks):
        return _refuse(talk, [f"{each.code}: {each.text}" for each in remarks if each.error])
    study = bench.study(wanted)
    print(f"study    {clean(study.said, 200)}", file=talk.out, flush=True)
    remarks += study.remarks
    refused = releasing.refusals(remarks, study, reason)
    if refused:
        return _refuse(talk, refused)
    warnings = releasing.to_confirm(remarks, study)
    if not _confirmed(warnings, args, wanted, talk):
        return REFUSED
    print("\n".join(releasing.differences(wanted, study, before)), file=talk.out, flush=True)
    reason = reason or _why(talk)
    _typed(args.confirm, wanted, talk)
    if _changed(wanted, place, before):
        return _refuse(talk, ["the profile or its release was changed meanwhile: nothing was written, begin again"])
    signed = Signed(person_of(os.getuid(), os.environ), reason, time_utc(wall_ms()), versions())
    write_release(place, releasing.made_release(wanted, study, warnings, signed))
    print(f"released {wanted.typed} by {signed.person}: {clean(str(place))}", file=talk.out, flush=True)
    return DONE


def wanted_of(args: argparse.Namespace) -> Wanted:
    """Read the profile, once, and what it is tried on. Raises InputError."""
    path = found_profile(args.profile)
    if path is None:
        raise _wrong(args.profile, "no such file, and no profile of that name in the library")
    document = read_document(path, LONGEST_TEXT)
    water_C = _water_C(args.water_C, load_model(document, Profile))
    for option, number, least, most in (
        ("--strings", args.strings, 1, MOST_STRINGS),
        ("--workers", args.workers, 0, MOST_WORKERS),
        ("--seed", args.seed, 0, MOST_SEED),
    ):
        if not least <= number <= most:
            raise _wrong(option, f"{number}, write {least} to {most}")
    # The dry run is made at the hottest water of the range.
    given = asked(argparse.Namespace(**{**vars(args), "water_C": repr(water_C[1])}), command=NAME, document=document)
    names = _names(given.setting.bath, args.model)
    wanted = Wanted(given, water_C, args.strings, args.seed, args.workers, names)
    low, high = studied_water_C(wanted)
    if (low, high) != water_C:
        what = f"{args.strings} reach water of {low:g} to {high:g} C only, write more (such as {STRINGS}), or one water"
        raise _wrong("--strings", what)
    return wanted


def _names(bath: Bath | None, model: str | None) -> Mapping[str, str | None]:
    return {
        "bath": bath.document.path.name if bath is not None else None,
        "bath_sha256": bath.document.sha256 if bath is not None else None,
        "model": Path(model).name if model else None,
    }


def _water_C(text: str | None, profile: Profile) -> tuple[float, float]:
    if text is None:
        if profile.bath is None:
            raise _wrong("--water-C", "the profile says no water, write --water-C LOW:HIGH")
        return profile.bath.water_C
    low, _, high = text.partition(":")
    try:
        found = float(low), float(high)
    except ValueError:
        raise _wrong("--water-C", f"{clean(text, 40)!r} is no range, write such as 20:34") from None
    if not RANGE_C[0] <= found[0] <= found[1] <= RANGE_C[1]:
        raise _wrong("--water-C", f"{clean(text, 40)}, write a rising range within 0:50")
    return found


def _look_at(place: Path) -> None:
    """Refuse a place where no release can be written, before a study that takes minutes. Raises InputError."""
    try:
        if place.exists() and not place.is_file():
            raise InputError([Problem(str(place), None, "", "is no plain file, move it away")])
        handle, name = tempfile.mkstemp(
            prefix=f".{place.name}-", dir=place.parent
        )  # as long a name as the writing needs
    except OSError as error:
        what = f"cannot be written: {error.strerror}; copy the profile to a folder of yours, under a shorter name"
        raise InputError([Problem(str(place), None, "", what)]) from None
    os.close(handle)
    Path(name).unlink()


def _before(place: Path) -> tuple[Release | None, tuple[Noted, ...]]:
    """The release that stands there now; one that cannot be read is a warning: it would be replaced."""
    if not place.exists():
        return None, ()
    try:
        return read_release(place), ()
    except InputError as error:
        return None, (Noted("old_release", f"the release beside it cannot be used: {error.problems[0]}"),)


def _sayable(args: argparse.Namespace, wanted: Wanted, talk: Talk) -> None:
    """What a script forgot or typed wrong is told before the study, which takes minutes. Raises InputError."""
    if args.confirm is not None and args.confirm.strip() != wanted.typed:
        raise _wrong("--confirm", f"{clean(args.confirm, 64)!r} is not {wanted.typed!r}, nothing was written")
    if args.reason is not None and not clean(args.reason, LONGEST_REASON).strip():
        raise _wrong("--reason", "says nothing, write why")
    if talk.ask is None and (args.confirm is None or args.reason is None):
        raise InputError([Problem(NAME, None, key, what) for key, what in _missing(args, wanted)])


def _missing(args: argparse.Namespace, wanted: Wanted) -> list[tuple[str, str]]:
    """All that a script still has to say, by option, so that it is not told in pieces."""
    found = []
    if args.confirm is None:
        found.append(("--confirm", f"nobody is at a terminal, add --confirm {shlex.quote(wanted.typed)}"))
    if args.reason is None:
        found.append(("--reason", "nobody is at a terminal, add --reason TEXT"))
    if not args.accept:
        what = "each warning of check, dry run and study wants its code here; the codes are told once they are known"
        found.append(("--accept", what))
    return found


def _whole_line(args: argparse.Namespace, wanted: Wanted, codes: Sequence[str]) -> str:
    """The command to repeat, with these warnings accepted."""
    said: list[str] = []
    for name in OPTIONS:
        value = getattr(args, name, None)
        if value is not None:
            said += [f"--{name.replace('_', '-')}", str(value)]
    said += ["--confirm", wanted.typed, "--reason", args.reason or "", "--accept", *codes]
    return " ".join(shlex.quote(clean(each, LONGEST_REASON)) for each in ("formbath", NAME, args.profile, *said))


def _counted(remarks: Sequence[Remark]) -> str:
    return f"right, {len(remarks)} {'warning' if len(remarks) == 1 else 'warnings'}"


def _refuse(talk: Talk, why: Sequence[str]) -> int:
    for each in why:
        print(f"release refused: {clean(each, 600)}", file=talk.err)
    return REFUSED


def _confirmed(warnings: Sequence[Noted], args: argparse.Namespace, wanted: Wanted, talk: Talk) -> bool:
    """Whether every warning is confirmed: by its code, or one by one on a terminal. InputError: a wrong code."""
    accept: Sequence[str] = args.accept
    unknown = releasing.unknown_codes(warnings, accept)
    if unknown:
        known = ", ".join(dict.fromkeys(each.code for each in warnings)) or "none: leave --accept out"
        raise _wrong("--accept", f"{clean(unknown[0], 60)!r} is none of the warnings, which are {known}")
    left = releasing.not_accepted(warnings, accept)
    for each in warnings:
        if each not in left:
            print(f"warning {each.code}: {clean(each.text, 600)}: accepted", file=talk.err)
    for number, each in enumerate(left, 1):
        said = f"warning {each.code}: {clean(each.text, 600)}"
        if talk.ask is None:
            print(f"{said}: not confirmed, add --accept {each.code}", file=talk.err)
        elif talk.asked(f"{said}\n{number} of {len(left)}: y confirms:").lower() not in {"y", "yes"}:
            print("not confirmed, nothing was written", file=talk.err)
            return False
    if left and talk.ask is None:
        codes = list(dict.fromkeys(each.code for each in warnings))
        print(f"the whole line, with all of them: {_whole_line(args, wanted, codes)}", file=talk.err)
    return not left or talk.ask is not None


def _why(talk: Talk) -> str:
    said = clean(talk.asked("why is it released?"), LONGEST_REASON).strip()
    if not said:
        raise _wrong("--reason", "a release says why; nothing was written")
    return said


def _typed(confirm: str | None, wanted: Wanted, talk: Talk) -> None:
    """The last word. Raises InputError where it is another; a script's was compared at the beginning."""
    said = confirm.strip() if confirm is not None else talk.asked(f"type {wanted.typed} to release it:")
    if said != wanted.typed:
        raise _wrong("--confirm", f"{clean(said, 64)!r} is not {wanted.typed!r}, nothing was written")


def _changed(wanted: Wanted, place: Path, before: Release | None) -> bool:
    """Whether profile or release are not what they were when this began."""
    try:
        now = read_document(wanted.document.path, LONGEST_TEXT)
    except InputError:
        return True
    return now.sha256 != wanted.document.sha256 or _before(place)[0] != before


def person_of(uid: int, environment: Mapping[str, str]) -> str:
    """The person as the operating system knows them; who became root by sudo stands beside, as sudo says."""
    try:
        name = pwd.getpwuid(uid).pw_name
    except KeyError:
        name = f"uid {uid}"
    behind = clean(environment.get("SUDO_USER", ""), 64).strip()
    return f"{name} (sudo: {behind})" if behind and behind != name else name


def versions() -> dict[str, str]:
    """What decided and computed here."""
    found = {"formbath": VERSION, "core": str(CORE), "python": platform.python_version(), "numpy": np.__version__}
    return {key: str(value) for key, value in found.items()}


def _wrong(key: str, what: str) -> InputError:
    return InputError([Problem(NAME, None, clean(key, 100), what)])
