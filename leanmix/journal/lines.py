"""The journal as JSON lines: one object a line, to be carried to another computer and read in there.

    {"leanmix_journal": 1, "tool": "leanmix 0.1.0"}
    {"file": {"digest": …, "name": …, "machine": …, "at_ms": …, "text": …}}
    {"entry": {"uid": …, "at_ms": …, "kind": …, "machine": …, "board": …, "line": …,
               "digest": …, "body": {…}, "image": …, "sum": …}}
    {"end": {"files": 3, "entries": 120}}

Digest, image and sum are hex. The last line tells a whole export from one that was cut. Reading in adds what is
not there yet, by digest and uid, so that reading twice, or from both of two computers, does no harm.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO, Any

from leanmix import __version__
from leanmix.errors import FileTrouble
from leanmix.journal.book import Journal
from leanmix.journal.entries import AT_MS_MAX, Headline, body_text, digest_of, makes_sense, row_sum
from leanmix.journal.store import append, keep_file, mapped, writing

__all__ = ["LAYOUT", "TakenIn", "export_lines", "import_lines"]

LAYOUT = 1
LINE_BYTES_MAX = 16 << 20
SHOWN_MOST = 4096


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What an import brought.

    Parameters
    ----------
    entries, files : int
        New to this journal.
    known : int
        Were here already.
    refused : tuple of (int, str)
        Line number and reason of each line left out.
    whole : bool
        Whether the export's last line was there and its counts fit.
    """

    entries: int
    files: int
    known: int
    refused: tuple[tuple[int, str], ...]
    whole: bool


def export_lines(journal: Journal) -> Iterator[str]:
    """The whole journal, a line at a time, each ending in a newline."""
    yield _line({"leanmix_journal": LAYOUT, "tool": f"leanmix {__version__}"})
    files = entries = 0
    for kept in journal.files():
        files += 1
        yield _line(
            {
                "file": {
                    "digest": kept.digest.hex(),
                    "name": kept.name,
                    "machine": kept.machine,
                    "at_ms": kept.at_ms,
                    "text": kept.text,
                }
            }
        )
    for e in journal.entries():
        entries += 1
        body = body_text(e.body)
        total = row_sum(*e.head[1:], e.digest, body, e.image)
        yield _line(
            {
                "entry": {
                    **{k: v for k, v in e.head._asdict().items() if k != "number"},
                    "digest": e.digest.hex(),
                    "body": e.body,
                    "image": e.image.hex(),
                    "sum": total.hex(),
                }
            }
        )
    yield _line({"end": {"files": files, "entries": entries}})


def import_lines(journal: Journal, stream: IO[bytes], name: str, *, keep_good: bool = False) -> TakenIn:
    """Add what an export holds and this journal does not, all in one transaction.

    Parameters
    ----------
    journal : Journal
        Where to.
    stream : binary file
        The export, in UTF-8.
    name : str
        Name of the export, for errors.
    keep_good : bool
        True leaves bad lines out and takes the rest; False refuses the whole export at the first bad line.

    Raises
    ------
    FileTrouble
        Naming the line, when one is bad or the export was cut; nothing has then been taken in.
    """
    entries = files = known = 0
    refused: list[tuple[int, str]] = []
    found = {"files": 0, "entries": 0}
    ends: dict[str, int] | None = None
    begun = False
    number = 0
    with mapped(journal.path), writing(journal.link):
        for number, raw in enumerate(iter(lambda: stream.readline(LINE_BYTES_MAX + 1), b""), start=1):
            try:
                item = _read(raw)
                if not begun:
                    _header(item)
                    begun = True
                elif isinstance(item.get("file"), dict):
                    new = _take_file(journal, item["file"])
                    files, known = files + new, known + (not new)
                    found["files"] += 1
                elif isinstance(item.get("entry"), dict):
                    new = _take_entry(journal, item["entry"])
                    entries, known = entries + new, known + (not new)
                    found["entries"] += 1
                elif isinstance(item.get("end"), dict):
                    ends = item["end"]
                else:
                    raise ValueError("is neither a file nor an entry")
            except (ValueError, KeyError, TypeError, RecursionError) as error:
                reason = (
                    f"{error.args[0]} is missing" if isinstance(error, KeyError) else str(error) or "cannot be read"
                )
                if not keep_good or not begun:
                    raise FileTrouble(
                        f"{name}, line {number}: {reason}. Nothing was taken in.",
                        "Export again, or add --keep-good to take in the other lines.",
                    ) from error
                refused.append((number, reason))
        whole = ends == found
        if not whole and not keep_good:
            raise FileTrouble(
                f"{name}: is cut short after line {number}. Nothing was taken in.",
                "Export again, or add --keep-good to take in the lines that are there.",
            )
    return TakenIn(entries, files, known, tuple(refused), whole)


def _line(item: dict[str, Any]) -> str:
    return json.dumps(item, ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n"


def _read(raw: bytes) -> dict[str, Any]:
    if len(raw) > LINE_BYTES_MAX:
        raise ValueError("is longer than any line of an export")
    try:
        item = json.loads(raw.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise ValueError("is not UTF-8 text") from error
    except json.JSONDecodeError as error:
        raise ValueError(f"is not JSON ({error.msg})") from error
    if not isinstance(item, dict):
        raise ValueError("is not a JSON object")
    return item


def _header(item: dict[str, Any]) -> None:
    layout = item.get("leanmix_journal")
    if not isinstance(layout, int):
        raise ValueError("is not the first line of an exported journal")
    if layout > LAYOUT:
        raise ValueError(f"layout {layout} is newer than this leanmix reads ({LAYOUT})")


def _text(item: dict[str, Any], key: str) -> str:
    value = item[key]
    if not isinstance(value, str):
        raise ValueError(f"{key} is not text")
    value.encode("utf-8")  # a lone surrogate cannot be stored
    return value


def _shown(item: dict[str, Any], key: str) -> str:
    """Text that lists show in one line."""
    value = _text(item, key)
    if len(value) > SHOWN_MOST:
        raise ValueError(f"{key} is longer than {SHOWN_MOST} characters")
    return value


def _at(item: dict[str, Any]) -> int:
    value = item["at_ms"]
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= AT_MS_MAX:
        raise ValueError("at_ms is not a time")
    return value


def _take_file(journal: Journal, item: dict[str, Any]) -> bool:
    text, digest = _text(item, "text"), bytes.fromhex(_text(item, "digest"))
    if digest_of(text) != digest:
        raise ValueError("the machine file's text does not fit its digest")
    return keep_file(journal.link, digest, _shown(item, "name"), _shown(item, "machine"), text, _at(item))


def _take_entry(journal: Journal, item: dict[str, Any]) -> bool:
    body = item["body"]
    if not isinstance(body, dict):
        raise ValueError("body is not an object")
    text = body_text(body)
    text.encode("utf-8")
    digest, image = bytes.fromhex(_text(item, "digest")), bytes.fromhex(_text(item, "image"))
    head = Headline(0, _shown(item, "uid"), _at(item), *(_shown(item, k) for k in ("kind", "machine", "board", "line")))
    if not makes_sense(head.kind, body):
        raise ValueError(f"it says nothing that a {head.kind} can say")
    if row_sum(*head[1:], digest, text, image).hex() != _text(item, "sum"):
        raise ValueError("the entry was changed after it was written: its sum does not fit")
    return append(journal.link, head, digest=digest, body=text, image=image)
