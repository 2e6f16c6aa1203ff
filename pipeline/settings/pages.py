"""Settings of the pages: language, currency."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.settings.base import Frozen


class PagesSettings(Frozen):
    """How the pages speak."""

    language: Literal["en", "de"] = Field(
        "en",
        description="Language of the pages and reasons; rules, checks, evidence packs and the bench stay English; decided",
    )
    currency: str = Field(
        "EUR",
        min_length=1,
        max_length=8,
        description="Name of the currency that the costs of [refer] are stated in; decided",
    )
