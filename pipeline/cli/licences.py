"""The licences of everything whichside brings along, from the installed packages' own metadata."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import Distribution, PackageNotFoundError, distribution

from packaging.requirements import Requirement
from packaging.utils import NormalizedName, canonicalize_name


@dataclass(frozen=True)
class Package:
    """An installed package that whichside needs, directly or through another."""

    name: str
    version: str
    licence: str


def _licence(dist: Distribution) -> str:
    """The SPDX expression where given (PEP 639), else the classifiers, else the short licence text,
    else 'unknown'.
    """
    meta = dist.metadata.json
    if meta.get("license_expression"):
        return str(meta["license_expression"])
    named = [
        c.rpartition(" :: ")[2] for c in meta.get("classifier", ()) if c.startswith("License ::")
    ]
    named = [name for name in named if name != "OSI Approved"]
    first_line = str(meta.get("license") or "").strip().partition("\n")[0]
    return "; ".join(named) or first_line or "unknown"


def _needs(
    dist: Distribution, extras: frozenset[str]
) -> Iterator[tuple[NormalizedName, frozenset[str]]]:
    for text in dist.requires or ():
        need = Requirement(text)
        if need.marker is None or any(
            need.marker.evaluate({"extra": extra}) for extra in extras or {""}
        ):
            yield canonicalize_name(need.name), frozenset(need.extras)


def installed(name: str = "whichside", extras: frozenset[str] = frozenset()) -> list[Package]:
    """Every installed package that `name` with these extras needs, by name.

    What is not installed here is left out.
    """
    found: dict[str, Package] = {}
    seen: set[tuple[NormalizedName, frozenset[str]]] = set()
    waiting = [(canonicalize_name(name), extras)]
    while waiting:
        at = waiting.pop()
        if at in seen:
            continue
        seen.add(at)
        try:
            dist = distribution(at[0])
        except PackageNotFoundError:
            continue
        found[at[0]] = Package(at[0], dist.version, _licence(dist))
        waiting += _needs(dist, at[1])
    return [found[key] for key in sorted(found) if key != canonicalize_name(name)]


def as_words(packages: list[Package]) -> str:
    """One line a package: name, version, licence."""
    width = max((len(f"{p.name} {p.version}") for p in packages), default=0)
    return "\n".join(f"{f'{p.name} {p.version}':<{width}}  {p.licence}" for p in packages)
