"""Writes docs/commands.md from the commands' own help; a test fails when the page is stale.

Run: python tools/write_commands.py
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from turfeye.cli import root

PAGE = Path(__file__).parent.parent / "docs" / "commands.md"

LIKE_THE_PROGRAM: dict[str, Any] = {**root.context_settings, "terminal_width": 96, "max_content_width": 96}


def walk(command: click.Command, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    yield path, command
    if isinstance(command, click.Group):
        for name, child in command.commands.items():
            yield from walk(child, (*path, name))


def text() -> str:
    parts = ["# Commands", "", "Written from the commands' own help by `tools/write_commands.py`.", ""]
    for path, command in walk(root, ("turfeye",)):
        context = click.Context(command, info_name=" ".join(path), **LIKE_THE_PROGRAM)
        parts += [f"## {' '.join(path)}", "", "```", command.get_help(context).rstrip(), "```", ""]
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.parent.mkdir(exist_ok=True)
    PAGE.write_text(text(), encoding="utf-8")
