"""TOML as a person wrote it: the lines of its keys, errors of its syntax, and writing it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sweeplab.builds.schema import BY_NAME, children
from sweeplab.builds.schema_tables import TABLES
from sweeplab.errors import BuildError
from sweeplab.finding import Threshold

KeyPath = tuple[str | int, ...]

_NAME = r"(?:[\w-]+|\"[^\"]*\"|'[^']*')"
_DOTTED = rf"{_NAME}(?:\s*\.\s*{_NAME})*"
_LIST = re.compile(rf"\s*\[\[\s*({_DOTTED})\s*\]\]")
_TABLE = re.compile(rf"\s*\[\s*({_DOTTED})\s*\]\s*(?:#.*)?$")
_ENTRY = re.compile(rf"\s*({_DOTTED})\s*=")
_UNQUOTED = re.compile(r"\s*[\w.-]+\s*=\s*([+-]?[\d.,]+\s*[^\W\d_][^#]*?)\s*(?:#.*)?$")


# tomllib takes time by the square of a key's steps, and a build has no use for more than three.
_MAX_CHARACTERS: Threshold = 1_000_000
_MAX_DOTS: Threshold = 16
_DEEPLY_DOTTED = re.compile(rf"(?<![\w\"'-])(?:[\w\"'-]++[ \t]*+\.[ \t]*+){{{_MAX_DOTS + 1}}}")


@dataclass(frozen=True)
class TomlText:
    """The text a description came from: names the place of whatever is wrong in it.

    Parameters
    ----------
    text : str
        Empty where the description was not read from a text a person knows.
    path : str
    """

    text: str = ""
    path: str = ""

    def error(
        self, key_path: KeyPath, found: str, action: str, *, key: str | None = None
    ) -> BuildError:
        """Return the error at a path of keys and list indices, with its line where known.

        `key` is what a person is shown instead, where the path itself is not what they wrote.
        """
        label = ".".join(str(step) for step in key_path) if key is None else key
        found = found if len(found) <= 200 else f"{found[:197]}..."
        return BuildError(
            " ".join(label.split()), found, action, self.path, line_of(self.text, key_path)
        )

    def data(self) -> dict[str, Any]:
        """Return the text's data; raise BuildError where it is no TOML."""
        if len(self.text) > _MAX_CHARACTERS:
            found = f"{len(self.text)} characters, over the limit of {_MAX_CHARACTERS}"
            raise BuildError("", found, "describe one build a file", self.path)
        if deep := _DEEPLY_DOTTED.search(self.text):
            number = self.text.count("\n", 0, deep.start()) + 1
            raise BuildError(
                "", "a key of many dotted steps", "use those of 'build template'", self.path, number
            )
        try:
            return tomllib.loads(self.text)
        except (ValueError, RecursionError) as error:
            # Besides its own error, tomllib lets pass those of huge integers and deep nesting.
            raise self._syntax_error(str(error)) from None

    def _syntax_error(self, message: str) -> BuildError:
        place = re.search(r" \((?:at line (\d+), column \d+|at end of document)\)$", message)
        lines = self.text.split("\n")
        number = int(place[1]) if place and place[1] else len(self.text.rstrip().split("\n"))
        unquoted = _UNQUOTED.match(lines[number - 1].rstrip())
        found = f"no valid TOML ({message[: place.start()] if place else message})"
        action = "text stands in quotes, numbers alone, one key a line"
        if unquoted:
            found = f"{unquoted[1]} is not in quotes"
            action = f'write "{unquoted[1]}"'
        return BuildError("", found, action, self.path, number)


def line_of(text: str, key_path: KeyPath) -> int | None:
    """Return the one-based line of a key path, or of the nearest table around it."""
    lines = _key_lines(text)
    for length in range(len(key_path), 0, -1):
        if key_path[:length] in lines:
            return lines[key_path[:length]]
    return None


def _key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line of every table and key of a TOML text."""
    places: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    here: KeyPath = ()
    in_text = False
    for number, line in enumerate(text.split("\n"), start=1):
        quotes = line.count('"""') + line.count("'''")
        if in_text:
            in_text = quotes % 2 == 0
            continue
        in_text = quotes % 2 == 1
        if match := _LIST.match(line):
            listed = _steps(match[1])
            counts[listed] = counts.get(listed, -1) + 1
            here = (*listed, counts[listed])
            places.setdefault(listed, number)
        elif match := _TABLE.match(line):
            here = _steps(match[1])
        elif match := _ENTRY.match(line):
            places.setdefault((*here, *_steps(match[1])), number)
            continue
        else:
            continue
        places.setdefault(here, number)
    return places


def _steps(dotted: str) -> KeyPath:
    return tuple(step.strip("\"'") for step in re.findall(_NAME, dotted))


def write_toml(data: Mapping[str, Any]) -> str:
    """Write a build's data as TOML, tables and keys in the order of the schema."""
    blocks = [_block("", data)]
    for table in TABLES:
        if not table.name:
            continue
        content = _nested(data, table.name)
        if table.identity:
            blocks += [f"[[{table.name}]]\n{_block(table.name, entry)}" for entry in content or ()]
        elif content is not None:
            blocks.append(f"[{table.name}]\n{_block(table.name, content)}")
    return "\n".join(block for block in blocks if block)


def _nested(data: Mapping[str, Any], dotted: str) -> Any:
    content: Any = data
    for step in dotted.split("."):
        content = content.get(step) if content is not None else None
    return content


def _block(table: str, content: Mapping[str, Any]) -> str:
    """Write the keys of one table, without the tables inside it."""
    order = [key.name for key in BY_NAME[table].keys]
    names = [name for name in order if name in content]
    names += [name for name in content if name not in order and name not in children(table)]
    return "".join(f"{_bare(name)} = {_value(content[name])}\n" for name in names)


def _bare(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _quoted(name)


def _value(value: Any) -> str:
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, Sequence):
        return f"[{', '.join(_value(item) for item in value)}]"
    return repr(value)


_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}


def _quoted(text: str) -> str:
    """Write a TOML basic string; control characters escaped (TOML 1.0, section String)."""

    def written(character: str) -> str:
        if character in _ESCAPES:
            return _ESCAPES[character]
        code = ord(character)
        return f"\\u{code:04X}" if code < 0x20 or code == 0x7F else character

    return '"' + "".join(map(written, text)) + '"'
