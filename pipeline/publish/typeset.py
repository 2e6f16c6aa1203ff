"""Sheets set by the templates of `schemas/templates`: the same strings give the same bytes.

Words and numbers reach a template as JSON and are never read as markup. Fonts are those the
typesetter carries and embeds; system fonts are not looked at.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import typst


def typeset(template: Path, data: Mapping[str, Any], at: datetime) -> bytes:
    """The PDF of a template with its strings, dated `at`."""
    text = json.dumps(data, ensure_ascii=False, sort_keys=True)
    pdf = _typesetter(template).compile(
        format="pdf", sys_inputs={"data": text}, timestamp=int(at.timestamp())
    )
    if not isinstance(pdf, bytes):
        raise TypeError("the typesetter gave no single document")
    return pdf


@cache
def _typesetter(template: Path) -> typst.Compiler:
    """The template and the fonts, loaded once for all sheets of a process."""
    return typst.Compiler(str(template), root=str(template.parent), ignore_system_fonts=True)
