"""The live page: one process, loopback only, nothing fetched from anywhere else.

Routes: `/` and its static files; `/api/state` (JSON snapshot), `/api/trace` (recent readings for the charts),
`/api/live` (server-sent events `state`, `reading`, `beat`). All are GET; nothing can be changed from here.
"""

from daq.runtime.web.server import Page

__all__ = ["Page"]
