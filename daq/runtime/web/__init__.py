"""The page: shows the bench and lets its operator's hand reach it, from one process, fetching nothing from elsewhere.

Listens on loopback always; on a Unix socket for commands on the same computer, and on one address of the network, where
told to. Routes: `/` and its static files; the API below `/api/`, whose one table stands in `routes.py` and which
describes itself at `/api/openapi.json`. Nothing changes without the operator's token (`access.py`).
"""

from daq.runtime.web.access import AccessKeys
from daq.runtime.web.listeners import Share, is_free
from daq.runtime.web.server import Page

__all__ = ["AccessKeys", "Page", "Share", "is_free"]
