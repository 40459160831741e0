"""The commands' reference, docs/cli.md, out of what the commands declare.

``python -m sweeplab.cli.reference > docs/cli.md`` writes it anew. It is written here rather than
by the help's own printer, whose layout changes between versions.
"""

from __future__ import annotations

from typing import Any

import typer

from sweeplab.cli.app import app

_OPENING = """# The command line

Made from what the commands declare by `python -m sweeplab.cli.reference`; a test keeps it true.

Exit status: 0 done; 1 some input could not be read or found, the rest is done; 2 wrong usage.
Colour is for terminals; `NO_COLOR` and `--no-color` turn it off.
"""
_LEFT_OUT = {"help", "install_completion", "show_completion"}


def reference() -> str:
    """Return the reference as Markdown."""
    return "\n".join([_OPENING, *_sections(typer.main.get_command(app), "sweeplab")])


def _sections(command: Any, name: str) -> list[str]:
    """Return a command's section, then those of its subcommands."""
    params = [param for param in command.params if param.name not in _LEFT_OUT]
    words = [name, *(_argument(param) for param in params if param.param_type_name == "argument")]
    lines = [f"## {' '.join(words)}", "", " ".join((command.help or "").split()), ""]
    if params:
        lines += ["| | |", "|---|---|", *(_row(param) for param in params), ""]
    children = getattr(command, "commands", {})
    inner = [_sections(child, f"{name} {word}") for word, child in children.items()]
    return ["\n".join(lines), *(section for sections in inner for section in sections)]


def _row(param: Any) -> str:
    if param.param_type_name == "argument":
        spelled = _argument(param)
    else:
        spelled = ", ".join([*param.opts, *param.secondary_opts])
        spelled += f" {param.metavar}" if param.metavar else ""
    text = param.help or ""
    if param.required and param.param_type_name == "option":
        text += " Required."
    return f"| `{spelled}` | {text} |"


def _argument(param: Any) -> str:
    spelled = f"{param.metavar}..." if param.nargs == -1 else str(param.metavar)
    return spelled if param.required else f"[{spelled}]"


if __name__ == "__main__":
    typer.echo(reference(), nl=False)
