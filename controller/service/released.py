"""Whether the profile of a load order is released: its release file read, and its text held against it.

Read beside the loop, with the profile. Nothing is refused here: what was found goes to the core with the order.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.core.types import Scalar
from controller.records.head import Text
from profiles.loader import Document
from profiles.problems import InputError, Problem, clean
from profiles.release import load_release, release_place, release_problems

LONGEST_SAID = 300
GIVEN = ("release", "release_line", "release_said")
"""Arguments of a load order that only the service writes; what a client sends under these names is dropped."""


@dataclass(frozen=True, slots=True)
class Found:
    """What was found beside a profile. `release`: the file, where it is of this very text.

    Else `why` is missing, changed (`line`: the first line of the profile that is not the released one) or unreadable,
    and `said` tells it in words.
    """

    release: Text | None = None
    why: str = ""
    line: int | None = None
    said: str = ""

    @property
    def args(self) -> dict[str, Scalar]:
        """What the order to the core says of it; nothing where the profile is released."""
        return {} if self.release is not None else dict(zip(GIVEN, (self.why, self.line, self.said), strict=True))


def found_release(profile: Document) -> Found:
    """Return what stands beside this profile. For a thread: a file may take longer than a cycle."""
    place = release_place(profile.path)
    try:
        if not place.exists():
            return Found(why="missing")
        release, document = load_release(place)
    except InputError as error:
        return Found(why="unreadable", said=_said(error.problems[0]))
    except OSError as error:
        return Found(why="unreadable", said=f"{place.name}: {error.strerror}")
    changed = release_problems(profile, release)
    if changed:
        return Found(why="changed", line=changed[0].line, said=_said(changed[0]))
    return Found(Text(place.name, document.text).hashed())


def _said(problem: Problem) -> str:
    """Return a problem by its file's bare name: nobody is shown the folders of another person's files."""
    name = problem.file.replace("\\", "/").rpartition("/")[2]
    return clean(str(Problem(name, problem.line, problem.key, problem.what)), LONGEST_SAID)
