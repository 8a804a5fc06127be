"""The page's own files, and those of the charting library where it is installed."""

import gzip
import hashlib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
CHART_FILES = ("uPlot.iife.min.js", "uPlot.min.css")
_WORTH_PACKING_BYTES = 500


@dataclass(frozen=True, slots=True)
class File:
    """One file in memory, also packed. ``etag``: changes with its content."""

    media_type: str
    content: bytes
    packed: bytes
    etag: str

    def answer(self, request: Request) -> Response:
        """Send it, unless the browser has it already."""
        headers = {"etag": self.etag, "cache-control": "no-cache", "vary": "accept-encoding"}
        if request.headers.get("if-none-match") == self.etag:
            return Response(status_code=304, headers=headers)
        content = self.content
        accepted = request.headers.get("accept-encoding", "")
        if len(content) >= _WORTH_PACKING_BYTES and "gzip" in accepted:
            content = self.packed
            headers["content-encoding"] = "gzip"
        return Response(content, headers=headers, media_type=self.media_type)


def _file(name: str, content: bytes) -> File:
    digest = hashlib.sha256(content).hexdigest()[:20]
    packed = gzip.compress(content, mtime=0)
    return File(_TYPES[Path(name).suffix], content, packed, f'"{digest}"')


def page_files() -> dict[str, File]:
    """The files of the page by the path they are served at."""
    directory = resources.files("dustcake.adapters.panel") / "page"
    found = {
        f"/{entry.name}": _file(entry.name, entry.read_bytes())
        for entry in directory.iterdir()
        if Path(entry.name).suffix in _TYPES
    }
    found["/"] = found.pop("/index.html")
    return found


def chart_files(directory: Path) -> dict[str, File]:
    """The charting library by path; empty where it is not installed whole."""
    try:
        return {
            f"/charts/{name}": _file(name, (directory / name).read_bytes()) for name in CHART_FILES
        }
    except OSError:
        return {}
