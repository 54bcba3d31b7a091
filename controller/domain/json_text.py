"""JSON as text for files and messages: never NaN or an infinity, which are no JSON; and back."""

from __future__ import annotations

import json
import math
from typing import Any


def json_text(document: Any) -> str:
    """Return a document as one line of JSON; a number that is none becomes null.

    Whoever reads a file would refuse the whole of it for one such number, and a writer that raised
    would stop what it reports on.

    Args:
        document: Objects, arrays, texts, numbers, truth values and None.
    """
    try:
        return json.dumps(document, ensure_ascii=False, allow_nan=False)
    except ValueError:
        return json.dumps(_finite(document), ensure_ascii=False, allow_nan=False)


def read_json(text: str | bytes) -> Any:
    """Return the document of a JSON text, of a file that may be damaged.

    Raises:
        ValueError: It is no JSON, or nested more deeply than anything that we write.
    """
    try:
        return json.loads(text)
    except RecursionError:
        raise ValueError("nested too deeply") from None


def _finite(value: Any) -> Any:
    match value:
        case float():
            return value if math.isfinite(value) else None
        case dict():
            return {key: _finite(each) for key, each in value.items()}
        case list() | tuple():
            return [_finite(each) for each in value]
        case _:
            return value
