"""A build to share: one zip with the machine file, sheet, table, pictures and a page that says what it is.

Reading one treats every byte as a stranger's: names, sizes and hashes are checked before anything is used, only
the machine file is ever taken over, and what could carry more than a picture (PDF, SVG) is never opened or unpacked.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from leanmix import __version__
from leanmix.errors import FileTrouble, ImageError
from leanmix.machine import MachineFile, each_number, parse
from leanmix.mixer import Image

__all__ = [
    "IMAGE_NAME",
    "MACHINE_NAME",
    "ZIP_BYTES_MAX",
    "Difference",
    "SharedBuild",
    "differences",
    "open_build",
    "pack_build",
]

MACHINE_NAME = "machine.toml"
IMAGE_NAME = "table.bin"
CONTENTS_NAME = "contents.json"
ZIP_BYTES_MAX = 30 * 1024 * 1024
_FILES_MAX = 64
_FILE_BYTES_MAX = 16 * 1024 * 1024
_ALL_BYTES_MAX = 64 * 1024 * 1024
_CONTENTS_BYTES_MAX = 64 * 1024
_LAYOUT = 1
# plain names, at most one folder deep, beginning with a letter: no way out of a folder, nothing hidden
_NAME = re.compile(r"(?:[a-z][a-z0-9-]{0,30}/)?[a-z][a-z0-9-]{0,40}\.[a-z0-9]{1,5}")
_DATE = (1980, 1, 1, 0, 0, 0)
_PLAIN_FILE = 0o100644 << 16
# zipfile lets several of Python's own errors through for damaged archives
_BROKEN = (
    zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, ValueError, LookupError, ArithmeticError,
    TypeError, struct.error,
)  # fmt: skip
_CURE = "Ask whoever sent it for a new one, made with `leanmix share make`."


def pack_build(source: MachineFile, files: Mapping[str, bytes]) -> bytes:
    """Pack a build as one zip.

    Parameters
    ----------
    source : MachineFile
        The machine file; put in as machine.toml.
    files : mapping of str to bytes
        The rest: plain lower-case names, at most one folder deep.

    Returns
    -------
    bytes
        The same contents give the same bytes.

    Raises
    ------
    ValueError
        When a name or a size is not one that `open_build` would take.
    """
    every = {MACHINE_NAME: source.text.encode(), **files}
    for name, data in every.items():
        if not _NAME.fullmatch(name) or name == CONTENTS_NAME or len(data) > _FILE_BYTES_MAX:
            raise ValueError(f"{name}: not a name or size for a build to share")
    contents = {
        "layout": _LAYOUT,
        "tool": f"leanmix {__version__}",
        "machine": {"name": source.machine.name, "sha256": source.digest.hex()},
        "files": {name: {"bytes": len(d), "sha256": hashlib.sha256(d).hexdigest()} for name, d in every.items()},
    }
    every[CONTENTS_NAME] = (json.dumps(contents, indent=2, ensure_ascii=False) + "\n").encode()
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(every):
            info = zipfile.ZipInfo(name, _DATE)
            info.external_attr = _PLAIN_FILE
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, every[name])
    return out.getvalue()


@dataclass(frozen=True, slots=True)
class SharedBuild:
    """A build read from a zip, everything in it checked.

    Attributes
    ----------
    source : MachineFile
        Its machine.
    image : Image or None
        The table that came with it: to be compared, never to be flashed.
    tool : str
        What says it wrote it.
    files : dict of str to int
        Names and sizes of all files in it [bytes].
    """

    source: MachineFile
    image: Image | None
    tool: str
    files: dict[str, int]


def open_build(data: bytes, name: str = "build") -> SharedBuild:
    """Read a build that somebody else made.

    Parameters
    ----------
    data : bytes
        The zip, at most 30 MiB.
    name : str
        To call it in messages.

    Raises
    ------
    FileTrouble
        When it is no such zip, or anything in it is not as its list of contents says.
    MachineFileError
        When its machine file is not usable.
    """
    if len(data) > ZIP_BYTES_MAX:
        raise _refused(name, f"it is larger than {ZIP_BYTES_MAX >> 20} MiB")
    try:
        files = _unpacked(data, name)
    except _BROKEN as error:
        raise _refused(name, "it is not a zip that can be read, or it is damaged") from error
    contents = _contents(files, name)
    listed = contents["files"]
    for strange in sorted((set(files) - {CONTENTS_NAME}) ^ set(listed)):
        raise _refused(
            name, f"{strange} is {'listed but missing' if strange in listed else 'not in its list of contents'}"
        )
    for file, entry in listed.items():
        if len(files[file]) != entry["bytes"] or hashlib.sha256(files[file]).hexdigest() != entry["sha256"]:
            raise _refused(name, f"{file} is not what its list of contents says")
    if MACHINE_NAME not in files:
        raise _refused(name, f"there is no {MACHINE_NAME} in it")
    source = _machine(files[MACHINE_NAME], name)
    if source.digest.hex() != contents["machine"]["sha256"]:
        raise _refused(name, "its machine file is not the one that it was made from")
    return SharedBuild(
        source, _image(files.get(IMAGE_NAME), source, name), _shown(contents["tool"])[:60],
        {k: len(v) for k, v in files.items()},
    )  # fmt: skip


def _refused(name: str, why: str) -> FileTrouble:
    return FileTrouble(f"{name}: is not a build that can be used: {why}.", _CURE)


def _unpacked(data: bytes, name: str) -> dict[str, bytes]:
    files: dict[str, bytes] = {}
    total = 0
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = archive.infolist()
        if len(members) > _FILES_MAX:
            raise _refused(name, f"there are {len(members)} files in it, at most {_FILES_MAX} are due")
        for member in members:
            shown = repr(member.filename)[:60]
            kind = member.external_attr >> 16 & 0o170000
            if not _NAME.fullmatch(member.filename) or member.orig_filename != member.filename:
                raise _refused(name, f"{shown} is not a file name that belongs in it")
            if kind not in (0, 0o100000) or member.flag_bits & 1:
                raise _refused(name, f"{shown} is not a plain file")
            if member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise _refused(name, f"{shown} is packed in a way that is not used here")
            if member.filename in files:
                raise _refused(name, f"{shown} is in it twice")
            limit = _CONTENTS_BYTES_MAX if member.filename == CONTENTS_NAME else _FILE_BYTES_MAX
            # the size that the archive states is a stranger's word: read no more than is allowed
            with archive.open(member) as stream:
                content = stream.read(limit + 1)
            total += len(content)
            if len(content) > limit or total > _ALL_BYTES_MAX:
                raise _refused(name, f"{shown} is too large")
            files[member.filename] = content
    return files


def _contents(files: Mapping[str, bytes], name: str) -> dict[str, Any]:
    if CONTENTS_NAME not in files:
        raise _refused(name, f"there is no {CONTENTS_NAME} in it")
    try:
        contents = json.loads(files[CONTENTS_NAME].decode())
    except (ValueError, RecursionError) as error:
        raise _refused(name, f"its {CONTENTS_NAME} is not readable") from error
    if isinstance(contents, dict) and isinstance(contents.get("layout"), int) and contents["layout"] > _LAYOUT:
        raise FileTrouble(f"{name}: was made by a newer leanmix.", "Update leanmix.")
    shaped = (
        isinstance(contents, dict)
        and contents.get("layout") == _LAYOUT
        and isinstance(contents.get("tool"), str)
        and isinstance(contents.get("machine"), dict)
        and isinstance(contents["machine"].get("sha256"), str)
        and isinstance(contents.get("files"), dict)
        and all(
            isinstance(e, dict) and isinstance(e.get("bytes"), int) and isinstance(e.get("sha256"), str)
            for e in contents["files"].values()
        )
    )
    if not shaped:
        raise _refused(name, f"its {CONTENTS_NAME} does not have what is due")
    return dict(contents)


def _machine(data: bytes, name: str) -> MachineFile:
    try:
        text = data.decode()
    except UnicodeDecodeError as error:
        raise _refused(name, "its machine file is not UTF-8 text") from error
    return parse(text, f"{MACHINE_NAME} in {name}")


def _image(data: bytes | None, source: MachineFile, name: str) -> Image | None:
    if data is None:
        return None
    try:
        image = Image.decode(data)
    except ImageError as error:
        raise _refused(name, f"its table is no good ({error.what})") from error
    if image.machine_hash != source.digest[: len(image.machine_hash)]:
        raise _refused(name, "its table was made from another machine file")
    return image


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that two machines do not share.

    Attributes
    ----------
    key : str
        Dotted key.
    mine, theirs : str
        What each says; "" where it says nothing.
    unit : str
        Unit of both.
    """

    key: str
    mine: str
    theirs: str
    unit: str


def differences(mine: MachineFile, theirs: MachineFile) -> tuple[Difference, ...]:
    """What the two machines do not share, in the order of the file: numbers with tolerance, words and switches.

    What differs alike on both sides is said once, under ``side``.
    """
    ours, others = _said(mine), _said(theirs)
    rows: dict[str, Difference] = {}
    for key in dict.fromkeys([*ours, *others]):
        (one, unit), (other, other_unit) = ours.get(key, ("", "")), others.get(key, ("", ""))
        if (key in ours, one) != (key in others, other):
            rows[key] = Difference(key, one, other, unit or other_unit)
    out = []
    for key, row in rows.items():
        side, _, rest = key.partition(".")
        twin = rows.get({"left": "right", "right": "left"}.get(side, "") + "." + rest)
        if twin is not None and (twin.mine, twin.theirs) == (row.mine, row.theirs):
            if side == "left":
                out.append(Difference(f"side.{rest}", row.mine, row.theirs, row.unit))
            continue
        out.append(row)
    return tuple(out)


def _said(source: MachineFile) -> dict[str, tuple[str, str]]:
    """Key → (value as text, unit)."""
    out: dict[str, tuple[str, str]] = {}
    for n in each_number(source.machine):
        tol = f" ± {n.measured.tol:g}" if n.measured.tol else ""
        out[n.key] = (f"{n.measured.at:g}{tol}", n.unit)
    out.update(_words(source.machine, ""))
    return out


def _shown(text: str) -> str:
    """One line without control characters: a stranger's text must not steer the terminal."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _words(value: object, key: str) -> Iterator[tuple[str, tuple[str, str]]]:
    """Everything that is not a measured number or a point."""
    if isinstance(value, BaseModel):
        for name in type(value).model_fields:
            yield from _words(getattr(value, name), f"{key}.{name}" if key else name)
    elif isinstance(value, tuple):
        for i, inner in enumerate(value):
            yield from _words(inner, f"{key}.{i}")
    elif isinstance(value, (str, bool, int, float)):
        yield key, (_shown(str(value)), "")
