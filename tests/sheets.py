"""What stands on the pages of a PDF that was written here."""

from __future__ import annotations

import re
import zlib


def pages(pdf: bytes) -> int:
    """Count the pages."""
    return pdf.count(b"/Type /Page\n")


def text(pdf: bytes) -> str:
    """Text of all pages, with the marks that set it."""
    streams = re.findall(rb"stream\n(.*?)\nendstream", pdf, re.DOTALL)
    told = [zlib.decompress(stream) for stream in streams if stream[:1] == b"x"]
    return b"".join(told).decode("latin-1")
