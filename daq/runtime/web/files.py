"""The page's own files and those of the charts: read once, compressed once, told apart by what is in them."""

import gzip
import hashlib
from dataclasses import dataclass
from importlib import resources
from importlib.resources.abc import Traversable

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

_MEDIA_TYPES = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
}


@dataclass(frozen=True, slots=True)
class _Form:
    """A file as it goes over the wire, plain or compressed; both forms have tags of their own (RFC 9110, 8.8.3.3)."""

    body: bytes
    encoding: str

    def headers(self) -> dict[str, str]:
        tag = hashlib.sha256(self.body).hexdigest()[:32]
        # Asked for anew each time, and answered with 304 where it is the same: a page is never older than its server.
        headers = {
            "etag": f'"{tag}"',
            "cache-control": "no-cache",
            "vary": "accept-encoding",
        }
        return headers | ({"content-encoding": self.encoding} if self.encoding else {})


class StaticFile:
    """One file; an endpoint."""

    def __init__(self, item: Traversable) -> None:
        body = item.read_bytes()
        suffix = f".{item.name.rpartition('.')[2]}"
        self._media_type = _MEDIA_TYPES[suffix]
        plain = _Form(body, "")
        packed = _Form(gzip.compress(body, mtime=0), "gzip")
        self._forms = {
            form.encoding: (form, form.headers()) for form in (plain, packed)
        }

    async def serve(self, request: Request) -> Response:
        """Answer one request."""
        takes_gzip = _takes_gzip(request.headers.get("accept-encoding", ""))
        form, headers = self._forms["gzip" if takes_gzip else ""]
        if headers["etag"] in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        return Response(form.body, media_type=self._media_type, headers=headers)


def static_routes() -> list[Route]:
    """Every file has its own path: no path is ever looked up in a folder."""
    static = resources.files("daq.runtime.web") / "static"
    charts = resources.files("youplot") / "vendor"
    files = {f"/{item.name}": item for item in static.iterdir()}
    files["/"] = files.pop("/index.html")
    files["/uplot.js"] = charts / "uplot.iife.min.js"
    files["/uplot.css"] = charts / "uplot.min.css"
    return [Route(path, StaticFile(item).serve) for path, item in files.items()]


def _takes_gzip(accepted: str) -> bool:
    """RFC 9110, 12.5.3, as far as browsers make use of it."""
    for choice in accepted.lower().split(","):
        coding, _, weight = choice.replace(" ", "").partition(";q=")
        if coding == "gzip":
            return weight.strip("0.") != "" or not weight
    return False
