"""YAML as plain texts, lists and maps, each with the line it stands on; bounded in what it may unfold to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import yaml

# Values a mapping may unfold to: an alias repeated by aliases makes thousands of millions out of a page. A list of all words that
# a fleet's exports ever used is some hundreds; practice.
_VALUES_CAP = 20_000
_DEPTH_CAP = 20

Path = tuple[str | int, ...]


class YamlTextError(ValueError):
    """A text that cannot be used: what is wrong, and on which line where that is known."""

    def __init__(self, what: str, line: int | None = None) -> None:
        super().__init__(f"line {line}: {what}" if line else what)
        self.what = what
        self.line = line


@dataclass
class YamlText:
    """`value`: every scalar a text. `lines`: the line of each value, by its path from the top (of what a key names: its own)."""

    value: Any
    lines: Mapping[Path, int] = field(default_factory=dict)

    def line_of(self, path: Path) -> int:
        """The line of a value, or of the nearest thing around it that stands in the text."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)


def read(text: str) -> YamlText:
    """The values of a YAML text; `no`, `1` and `2026-01-01` are words, not booleans, numbers, dates. YamlTextError if none."""
    loader = getattr(yaml, "CBaseLoader", yaml.BaseLoader)
    try:
        node = yaml.compose(text, Loader=loader)
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else None
        raise YamlTextError(f"no YAML: {error.problem or error}", line) from error
    except yaml.YAMLError as error:
        raise YamlTextError(f"no YAML: {' '.join(str(error).split())[:200]}") from error
    except RecursionError as error:
        raise YamlTextError("nested too deep") from error
    if node is None:
        raise YamlTextError("no YAML: it is empty", 1)
    lines: dict[Path, int] = {}
    return YamlText(_plain(node, (), lines), lines)


def _plain(node: yaml.Node, path: Path, lines: dict[Path, int]) -> Any:
    lines.setdefault(path, node.start_mark.line + 1)
    if len(lines) > _VALUES_CAP:
        raise YamlTextError(
            f"it unfolds to more than {_VALUES_CAP} values", node.start_mark.line + 1
        )
    if len(path) > _DEPTH_CAP:
        raise YamlTextError("nested too deep", node.start_mark.line + 1)
    if isinstance(node, yaml.MappingNode):
        return dict(_pairs(node, path, lines))
    if isinstance(node, yaml.SequenceNode):
        return [_plain(one, (*path, i), lines) for i, one in enumerate(node.value)]
    return str(node.value)


def _pairs(node: yaml.MappingNode, path: Path, lines: dict[Path, int]) -> Iterator[tuple[str, Any]]:
    seen: set[str] = set()
    for key, value in node.value:
        line = key.start_mark.line + 1
        if not isinstance(key, yaml.ScalarNode):
            raise YamlTextError("a key is a list or a map: keys are words", line)
        if key.value in seen:
            raise YamlTextError(f"the key {key.value!r} stands twice", line)
        seen.add(key.value)
        lines[*path, key.value] = line
        yield str(key.value), _plain(value, (*path, key.value), lines)
