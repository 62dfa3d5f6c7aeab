"""What the data routes have in common: numbers in addresses, and how their refusals are described."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Path
from pydantic import BaseModel

Number = Annotated[int, Path(ge=1, le=2**53)]
"""A number of the records; what is larger the database cannot even look for"""


class Refusal(BaseModel):
    """Why something was not done, in a sentence."""

    detail: str


_REFUSED = {
    400: "It cannot be done so",
    401: "Nobody is signed in",
    403: "Not by this role, or not from a page of ours",
    404: "There is no such thing",
    409: "Not now: it has been done, or something comes before it",
    410: "The link is not open",
    413: "It is too large",
    422: "A field has a value that is not allowed",
    423: "Another piece is being written",
    429: "It was tried too often",
    507: "The disk is full",
}
UPLOAD_PIECE: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {"application/offset+octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    },
    "parameters": [
        {
            "name": "Upload-Offset",
            "in": "header",
            "required": True,
            "description": "Bytes that came before this piece",
            "schema": {"type": "integer", "minimum": 0},
        }
    ],
}
"""The body of a piece is read as it comes, so no signature describes it"""


def refusing(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Describe the refusals of a route."""
    return {one: {"model": Refusal, "description": _REFUSED[one]} for one in (*statuses, 422)}
