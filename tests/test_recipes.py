"""The recipes of docs/how-to, followed to the letter in a copy of the source."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
EXAMPLE = re.compile(r"^# (schemas/\S+)\n(.*?)(?=^# schemas/|\Z)", re.MULTILINE | re.DOTALL)
NIGHT = """\
        witnessed(
            failed, "vehicle_id", "evse_id", "time_of_day",
            pl.when(pl.col("plugged_at_utc").dt.hour() < 6).then(pl.lit("night")).otherwise(pl.lit("day")), blame,
        ),
"""
PAGE = """\
    "weather": Page("Weather", "weather.html.j2", weather_view),
"""
# What the recipes ask for in words: (file, after this line, the new lines).
IN_WORDS = [
    (
        "pipeline/doorway/kinds.py",
        '    "findings": "raw_finding",\n',
        '    "weather": "raw_weather",\n',
    ),
    ("pipeline/refer/suspects/signs.py", "    parts = [\n", NIGHT),
    ("dashboards/pages.py", "PAGES: Mapping[str, Page] = {\n", PAGE),
    (
        "dashboards/pages.py",
        "from dashboards.sites import sites_view\n",
        "from dashboards.weather import weather_view\n",
    ),
]
TEMPLATE = """\
{% extends "page.html.j2" %}
{% block main %}<h1>The weather of {{ week }}</h1>{% endblock %}
"""
NEW = {
    "dashboards/weather.py": "def weather_view(data, reader):\n    return {'title': 'Weather'}\n",
    "dashboards/templates/weather.html.j2": TEMPLATE,
}


def examples() -> list[tuple[str, str]]:
    """(file, lines) of every example in the recipes."""
    recipes = "\n".join(
        path.read_text(encoding="utf-8") for path in sorted((ROOT / "docs" / "how-to").glob("*.md"))
    )
    blocks = re.findall(r"^```yaml\n(.*?)^```", recipes, re.MULTILINE | re.DOTALL)
    return [match for block in blocks for match in EXAMPLE.findall(block)]


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of the source in which each recipe was followed."""
    for name in ("pipeline", "dashboards", "schemas"):
        shutil.copytree(
            ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__", "pictures")
        )
    for name, lines in examples():
        with (tmp_path / name).open("a", encoding="utf-8") as file:
            file.write(lines)
    for name, after, lines in IN_WORDS:
        text = (tmp_path / name).read_text(encoding="utf-8")
        assert text.count(after) >= 1, f"{name} has no {after!r}"
        (tmp_path / name).write_text(text.replace(after, after + lines, 1), encoding="utf-8")
    for name, text in NEW.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def test_the_recipes_are_true(copy: Path) -> None:
    """A kind of file, a rule, a signature and a page are added by what the recipes say and nothing
    else.
    """
    assert len(examples()) == 5
    place = copy / "tried"
    place.mkdir()
    done = subprocess.run(
        [sys.executable, ROOT / "tests" / "recipes_tried.py", copy],
        env=os.environ | {"PYTHONPATH": str(copy)}, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
