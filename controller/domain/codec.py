"""One codec for each value that travels: to JSON and back, and the JSON schema of it.

A later release may add keys: they are passed over. A document of a higher format number says that
its meaning has changed: that is reported apart from damage, so that nobody deletes or overwrites
what only a newer release can read.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any, Generic, TypeVar

from pydantic import TypeAdapter, ValidationError
from pydantic_core import PydanticSerializationError

from controller.domain.json_text import json_text, read_json

T = TypeVar("T")
FORMAT = "format"
"""Key under which a document carries the number of its format; without it, the first."""


class UnreadableError(ValueError):
    """A document is damaged, or is no document of this kind."""


class NewerFormatError(UnreadableError):
    """A document was written by a later release, which changed what it means."""


class Codec(Generic[T]):
    """Reads and writes the JSON documents of one type."""

    def __init__(self, of: type[T], *, newest: int = 1) -> None:
        """Prepare nothing yet: the type is examined at the first use.

        Args:
            of: A dataclass or a union of dataclasses, built from values that JSON can carry.
            newest: Highest format number that this release reads.
        """
        self._of = of
        self._newest = newest

    @cached_property
    def _adapter(self) -> TypeAdapter[T]:
        return TypeAdapter(self._of)

    def read(self, text: str | bytes) -> T:
        """Return the value of a JSON text.

        Raises:
            NewerFormatError: It is of a format that this release does not know.
            UnreadableError: It is damaged, or something else.
        """
        try:
            document = read_json(text)
        except ValueError as error:
            raise UnreadableError(f"found no JSON: {error}") from None
        version = document.get(FORMAT, 1) if isinstance(document, dict) else 1
        if isinstance(version, int) and version > self._newest:
            raise NewerFormatError(
                f"found format {version}, allowed: up to {self._newest}; "
                "it was written by a later release"
            )
        try:
            # strict: a number is no date, and a text no number
            return self._adapter.validate_json(text, strict=True)
        except ValidationError as error:
            first = error.errors()[0]
            where = ".".join(str(part) for part in first["loc"])
            what = first["msg"]
            raise UnreadableError(f"{where}: {what}" if where else what) from None

    def text(self, value: T) -> str:
        """Return the JSON text of a value, on one line; half a character becomes a question mark.

        What is no number becomes null.
        """
        try:
            return self._adapter.dump_json(value).decode()
        except PydanticSerializationError:
            text = json_text(self.document(value))
            return text.encode("utf-8", "replace").decode()

    def document(self, value: T) -> dict[str, Any]:
        """Return the parsed form of `text`, to be put into a larger document and printed."""
        document: dict[str, Any] = self._adapter.dump_python(value, mode="json")
        return document

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema (2020-12) of what `text` writes."""
        return self._adapter.json_schema(mode="serialization")
