"""The JSON interface: every endpoint and what answers it. docs/api.md describes them; a test reads both."""

from __future__ import annotations

from sidekeep.web.asking import Endpoint
from sidekeep.web.endpoints import comparing, guests, jobs, pictures, records, shelf, takes, turntable

ENDPOINTS: list[Endpoint] = [
    each
    for noun in (shelf, records, pictures, takes, comparing, jobs, turntable, guests)
    for each in noun.ENDPOINTS
]
