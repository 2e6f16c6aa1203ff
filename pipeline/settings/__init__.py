"""Settings of a run: frozen, strict, each with its reason beside it.

A file (`whichside.toml`, or the path in WHICHSIDE_SETTINGS) may change any of them; an unknown name
is an error.
"""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

from pydantic import Field, ValidationError

from pipeline.core.errors import SettingsError
from pipeline.settings.attribute import AttributeSettings
from pipeline.settings.base import Frozen
from pipeline.settings.cluster import ClusterSettings
from pipeline.settings.ingest import IngestSettings
from pipeline.settings.mail import MailSettings
from pipeline.settings.normalise import NormaliseSettings
from pipeline.settings.pages import PagesSettings
from pipeline.settings.refer import ReferSettings
from pipeline.settings.serve import ServeSettings
from pipeline.settings.validate import ValidateSettings


class Settings(Frozen):
    """All settings of a run."""

    look_back_weeks: int = Field(
        12, ge=1, le=104, description="Weeks of history a week's calls rest on; decided"
    )
    ingest: IngestSettings = IngestSettings()
    normalise: NormaliseSettings = NormaliseSettings()
    validate_: ValidateSettings = Field(ValidateSettings(), alias="validate")
    attribute: AttributeSettings = AttributeSettings()
    refer: ReferSettings = ReferSettings()
    serve: ServeSettings = ServeSettings()
    pages: PagesSettings = PagesSettings()
    mail: MailSettings = MailSettings()
    cluster: ClusterSettings = ClusterSettings()
    decisions: str | None = Field(
        None,
        description="Path or database URL of the decisions store; beside the warehouse if absent",
    )


def load_settings(path: Path | None = None) -> Settings:
    """Settings from a TOML file, or the defaults where there is none.

    Raises SettingsError naming the file, the setting and what is allowed.
    """
    named = path or (
        Path(os.environ["WHICHSIDE_SETTINGS"]) if "WHICHSIDE_SETTINGS" in os.environ else None
    )
    source = named or Path("whichside.toml")
    if not source.is_file():
        if named is None:
            return Settings()
        raise SettingsError(
            "the settings file is not there",
            where=str(source),
            next_step="give the path of a TOML file",
        )
    try:
        return Settings.model_validate(tomllib.loads(source.read_text(encoding="utf-8")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"not a TOML file: {error}", where=str(source), next_step="mend the line it names"
        ) from error
    except ValidationError as error:
        faults = "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors())
        raise SettingsError(
            faults, where=str(source), next_step="see `whichside explain settings`"
        ) from error
