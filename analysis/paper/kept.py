"""A document in the store, so that whoever shows it later shows what was made then."""

from __future__ import annotations

import datetime
from typing import Any

import msgspec

from rushlight.analysis.paper.document import Curve, Document, Heading, Listing, Paragraph, Table
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["SHEET", "KeptDocument", "as_plain", "keep_document", "kept_document", "of_plain"]

SHEET = "sitter-sheet"
"""Kind of the states that are sheets for who looks after a tank."""
_KINDS: dict[str, Any] = {kind.__name__: kind for kind in (Heading, Paragraph, Listing, Table, Curve)}


class KeptDocument(msgspec.Struct, frozen=True, kw_only=True):
    """A document, when it was made (ms UTC), and the last day that it is for."""

    made_ms: int
    until: datetime.date
    plain: list[Any]

    @property
    def document(self) -> Document:
        """The document itself."""
        return of_plain(self.plain)


def as_plain(document: Document) -> list[Any]:
    """A document as JSON has it."""
    blocks = [[type(block).__name__, msgspec.to_builtins(block)] for block in document.blocks]
    return [document.title, document.note, blocks]


def of_plain(plain: list[Any]) -> Document:
    """The document again.

    Raises
    ------
    ValueError
        It is none, or has a block that this version does not know.
    """
    try:
        title, note, blocks = plain
        return Document(title, note, tuple(msgspec.convert(block, _KINDS[name]) for name, block in blocks))
    except (KeyError, TypeError, ValueError) as error:
        raise ValueError(f"no document: {error!r}") from None


def keep_document(
    store: EmbeddedStore, kind: str, tank: str, document: Document, until: datetime.date, now_ms: int
) -> None:
    """Keep it in the place of the one before. StoreError: the store can't be written."""
    kept = KeptDocument(made_ms=now_ms, until=until, plain=as_plain(document))
    store.save_state(kind, tank, msgspec.json.encode(kept), None)


def kept_document(store: EmbeddedStore, kind: str, tank: str) -> KeptDocument | None:
    """The one that was kept last; None where there is none, or it is of a version that wrote it otherwise."""
    saved = store.load_state(kind, tank)
    if saved is None:
        return None
    try:
        kept = msgspec.json.decode(saved[0], type=KeptDocument)
        of_plain(kept.plain)
    except ValueError:
        return None
    return kept
