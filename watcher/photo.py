"""A picture that someone sends, made fit to be kept: its pixels and nothing else.

Rule: it is drawn anew, so that the place, the camera and whatever else its file carries do not come along. What cannot
be drawn is refused.
"""

from __future__ import annotations

import io
import warnings

from watcher.domain.event import Document

MOST_BYTES = 30_000_000
MOST_PIXELS = 80_000_000
LONGEST_SIDE = 2000
"""Digits on a display are still read well at this size, and a picture is a few hundred kilobytes."""

QUALITY = 85


def kept_photo(content: bytes) -> Document:
    """The picture as a JPEG. ValueError where it is none, or too large to be one of a meter."""
    from PIL import Image, ImageOps  # only where a picture comes

    if len(content) > MOST_BYTES:
        raise ValueError(f"a picture of {len(content) // 1_000_000} MB; at most {MOST_BYTES // 1_000_000}")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(content), formats=("JPEG", "PNG", "WEBP", "GIF", "BMP", "TIFF")) as opened:
                width, height = opened.size
                if width * height > MOST_PIXELS:
                    raise ValueError(f"a picture of {width} by {height} pixels; that is too large")
                upright = ImageOps.exif_transpose(opened)  # a telephone writes down how it was held
                plain = upright.convert("RGB")
    except ValueError:
        raise
    except Exception as error:  # noqa: BLE001  whatever a broken or hostile file makes a decoder raise
        raise ValueError(f"no picture that can be read: {error}") from None
    plain.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    bare = Image.new("RGB", plain.size)
    bare.paste(plain)
    out = io.BytesIO()
    bare.save(out, format="JPEG", quality=QUALITY)
    return Document.of("image/jpeg", out.getvalue())
