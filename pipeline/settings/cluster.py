"""Settings of the way to other machines: the certificates of `tls://` addresses."""

from __future__ import annotations

from pathlib import Path
from typing import Self

from pydantic import Field, model_validator

from pipeline.settings.base import Frozen


class ClusterSettings(Frozen):
    """What this machine shows a scheduler, and whom it believes; all three or none."""

    ca_file: Path | None = Field(
        None,
        description="Certificates (PEM) of who signs for scheduler and workers; none = as Dask's own settings say; decided",
    )
    cert_file: Path | None = Field(
        None, description="This machine's own certificate (PEM), signed by them; decided"
    )
    key_file: Path | None = Field(
        None, description="Its private key (PEM), readable by its owner only; decided"
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if len({file is None for file in (self.ca_file, self.cert_file, self.key_file)}) > 1:
            raise ValueError("`ca_file`, `cert_file` and `key_file` go together")
        return self
