"""The command `runs` as its tests call it."""

from __future__ import annotations

import argparse

from controller.runs import commands


def said_and_told(capsys, *words) -> tuple[int, str, str]:
    """Exit code, standard output, standard error."""
    parser = argparse.ArgumentParser()
    commands.add_arguments(parser)
    code = commands.run(parser.parse_args([str(word) for word in words]))
    return code, *capsys.readouterr()
