"""The files of `schemas/`, read: a name or a key declared twice is a fault."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import yaml

from pipeline.core.errors import SchemaError
from pipeline.registry.models import checked

SCHEMAS = Path(__file__).resolve().parents[2] / "schemas"
_LOADER: type[yaml.SafeLoader] = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
"""The safe loader in C, ten times as fast, where the library was built with it."""


class _UniqueKeys(_LOADER):  # type: ignore[valid-type,misc]  # chosen above
    """YAML in which a key written twice is a fault, not the last one's quiet win."""

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:  # noqa: FBT001, FBT002
        """The mapping of a node; raises yaml.constructor.ConstructorError on a key written twice."""
        keys = [key.value for key, _ in node.value]
        twice = [key for key, times in Counter(keys).items() if times > 1]
        if twice:
            raise yaml.constructor.ConstructorError(
                None, None, f"{', '.join(map(repr, twice))} is declared twice", node.start_mark
            )
        made: dict[Any, Any] = super().construct_mapping(node, deep)
        return made


def load_file(path: Path) -> dict[str, Any]:
    """The mapping a file holds; raises SchemaError where it holds none."""
    try:
        loaded = yaml.load(path.read_text(encoding="utf-8"), _UniqueKeys) or {}  # noqa: S506 -- a SafeLoader
    except (yaml.YAMLError, UnicodeDecodeError) as error:
        raise SchemaError(
            f"not a declaration file: {' '.join(str(error).split())}",
            where=str(path),
            next_step="mend the line it names",
        ) from None
    if not isinstance(loaded, dict):
        raise SchemaError("a declaration file must hold a mapping", where=str(path))
    return loaded


def load_sources() -> dict[str, Any]:
    """The mappings of `schemas/sources.yaml`."""
    path = SCHEMAS / "sources.yaml"
    return {name: checked("sources", name, body, path) for name, body in load_file(path).items()}


def load_folder(folder: str) -> dict[str, Any]:
    """All mappings of `schemas/<folder>/*.yaml` joined.

    A name declared twice raises SchemaError.
    """
    joined: dict[str, Any] = {}
    for path in sorted((SCHEMAS / folder).glob("*.yaml")):
        for name, body in load_file(path).items():
            if name in joined:
                raise SchemaError(
                    f"{name!r} is declared twice", where=str(path), next_step="keep one declaration"
                )
            joined[name] = checked(folder, name, body, path)
    return joined
