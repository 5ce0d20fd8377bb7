"""docs/api.md against the endpoints themselves."""

from __future__ import annotations

import re
from pathlib import Path

from sidekeep.web.endpoints.table import ENDPOINTS

PAGE = Path(__file__).parents[2] / "docs" / "api.md"
_CALL = re.compile(r"`(GET|POST|PUT|DELETE) (/api/[^`?\s]*)")


def test_every_endpoint_is_on_the_page_and_the_page_tells_of_no_other() -> None:
    told = set(_CALL.findall(PAGE.read_text("utf-8")))
    assert told == {(endpoint.method, endpoint.path) for endpoint in ENDPOINTS}


def test_no_endpoint_is_there_twice() -> None:
    assert len({(endpoint.method, endpoint.path) for endpoint in ENDPOINTS}) == len(ENDPOINTS)
