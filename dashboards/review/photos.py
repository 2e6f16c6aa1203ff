"""Photos from a phone, made small and plain: a new picture, without place, device or anything hidden in the file."""

from __future__ import annotations

import io

from PIL import Image, ImageOps, UnidentifiedImageError

from pipeline.core.errors import DecisionError

MOST_BYTES = 20 << 20
"""As taken by a phone (decided)."""
MOST_PIXELS = 60_000_000
LONGEST_SIDE, QUALITY = 2000, 85
FORMATS = ("JPEG", "PNG", "WEBP")


def as_kept(body: bytes) -> bytes:
    """The picture as JPEG, at most 2000 px a side, upright, nothing of the old file but its pixels.

    Raises DecisionError where it is no photo of a known form, or too large.
    """
    if len(body) > MOST_BYTES:
        raise DecisionError(
            "The photo is too large", next_step=f"keep it under {MOST_BYTES >> 20} MB"
        )
    try:
        with Image.open(io.BytesIO(body), formats=FORMATS) as picture:
            if picture.width * picture.height > MOST_PIXELS:
                raise DecisionError("The photo has too many pixels", next_step="take it smaller")
            upright = ImageOps.exif_transpose(picture).convert("RGB")
    except (
        UnidentifiedImageError,
        OSError,
        ValueError,
        SyntaxError,
        Image.DecompressionBombError,
    ) as error:
        raise DecisionError(
            "That is no photo we can read", next_step="choose a JPEG, PNG or WebP"
        ) from error
    upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    plain = Image.new("RGB", upright.size)
    plain.paste(upright)
    out = io.BytesIO()
    plain.save(out, "JPEG", quality=QUALITY, optimize=True)
    return out.getvalue()
