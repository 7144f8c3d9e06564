"""A table as it stands in the file: metadata, headers and columns, CSV or Parquet."""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from trimkeep.config.errors import UnreadableLog
from trimkeep.detectors.model import Note

PARQUET_MAGIC = b"PAR1"
_NO_SAMPLE = [
    "",
    "nan",
    "NaN",
    "NAN",
    "null",
    "NULL",
    "None",
    "NA",
    "N/A",
    "n/a",
    "-nan",
    "inf",
    "-inf",
    "Infinity",
]
_DELIMITERS = (",", ";", "\t")
_NOT_METADATA = ("pandas", "ARROW:schema")


@dataclass(frozen=True, slots=True)
class TableFile:
    """A table's content.

    Parameters
    ----------
    headers : tuple of str
        As in the file, in order.
    metadata : mapping of str to str
        From the leading `# key: value` lines, or the Parquet file's own.
    columns : mapping of str to pyarrow array
        Only those that were asked for.
    notes : tuple of Note
        `cut_off` where the last line is incomplete.
    """

    headers: tuple[str, ...]
    metadata: Mapping[str, str]
    columns: Mapping[str, pa.ChunkedArray]
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class _Text:
    """A text table taken apart: metadata, headers, and the rest as bytes."""

    metadata: dict[str, str]
    headers: tuple[str, ...]
    delimiter: str
    body: bytes
    lines_before: int
    bytes_before: int


@dataclass(slots=True)
class _OddRows:
    """Rows with a wrong number of cells, as the parser meets them."""

    found: list[tuple[int, int, int]] = field(default_factory=list)

    def __call__(self, row: pacsv.InvalidRow) -> str:
        self.found.append((row.number or 0, row.actual_columns, row.expected_columns))
        return "skip"


def headers_of(path: Path) -> tuple[str, ...]:
    """The column headers alone."""
    return load_table(path, ()).headers


def load_table(path: Path, wanted: Iterable[str] | None = None) -> TableFile:
    """Read a table.

    Parameters
    ----------
    path : Path
        CSV (comma, semicolon or tab; UTF-8 or Latin-1) or Parquet, told apart by content.
    wanted : iterable of str or None
        Headers to read; None reads all.

    Returns
    -------
    TableFile

    Raises
    ------
    UnreadableLog
        Not a table, two columns with one header, rows of different length.
    """
    try:
        with path.open("rb") as file:
            parquet = file.read(4) == PARQUET_MAGIC
        content = b"" if parquet else path.read_bytes()
    except (OSError, ValueError) as error:
        raise _unreadable(
            path, f"the file cannot be read ({error})", "Check the file and its permissions"
        ) from error
    return _parquet(path, wanted) if parquet else _csv(path, content, wanted)


def _unreadable(path: Path, message: str, next_step: str) -> UnreadableLog:
    return UnreadableLog(message, subject=path.name, next_step=next_step)


def _checked(path: Path, headers: tuple[str, ...]) -> None:
    seen: set[str] = set()
    for header in headers:
        if header and header in seen:
            raise _unreadable(path, f"two columns are called {header!r}", "Give every column its own header")
        seen.add(header)


def _parquet(path: Path, wanted: Iterable[str] | None) -> TableFile:
    try:
        with pq.ParquetFile(path) as file:
            schema = file.schema_arrow
            headers = tuple(schema.names)
            _checked(path, headers)
            names = [name for name in headers if wanted is None or name in set(wanted)]
            table = file.read(columns=names, use_threads=False) if names else None
    except pa.ArrowMemoryError:
        raise  # no fault of the file's: with more memory it can be read
    except (pa.ArrowException, OSError, ValueError) as error:
        raise _unreadable(
            path, f"it is not a whole Parquet file ({_first_line(error)})", "Export the table again"
        ) from error
    metadata = {
        key.decode("utf-8", "replace"): value.decode("utf-8", "replace")
        for key, value in (schema.metadata or {}).items()
        if key.decode("utf-8", "replace") not in _NOT_METADATA
    }
    held = set(table.column_names) if table is not None else set()
    if lost := [name for name in names if name not in held]:
        # The description of the columns lies apart from the columns: a bad sector in one spares the other.
        raise _unreadable(
            path, f"it is not a whole Parquet file (no column {lost[0]!r})", "Export the table again"
        )
    columns = {name: table.column(name) for name in names} if table is not None else {}
    return TableFile(headers, metadata, columns)


def _csv(path: Path, content: bytes, wanted: Iterable[str] | None) -> TableFile:
    text = _taken_apart(path, content)
    _checked(path, text.headers)
    names = [name for name in text.headers if name and (wanted is None or name in set(wanted))]
    if not names:
        return TableFile(text.headers, text.metadata, {})
    odd = _OddRows()
    convert: dict[str, object] = {
        "include_columns": names,
        "null_values": _NO_SAMPLE,
        "strings_can_be_null": True,
        "column_types": {name: pa.string() for name in names if name == "time_utc"},
        "decimal_point": "," if _decimal_comma(text) else ".",
    }
    try:
        table = pacsv.read_csv(
            io.BytesIO(text.body[: _whole_lines(text.body)]),
            read_options=pacsv.ReadOptions(use_threads=False, column_names=list(text.headers)),
            parse_options=pacsv.ParseOptions(delimiter=text.delimiter, invalid_row_handler=odd),
            convert_options=pacsv.ConvertOptions(**convert),
        )
    except pa.ArrowMemoryError:
        raise
    except (pa.ArrowException, ValueError) as error:
        if not text.body.strip():
            raise _unreadable(path, "it has headers but no rows", "Export the table again") from error
        raise _unreadable(
            path, f"it cannot be read as a table ({_first_line(error)})", "Export the table again"
        ) from error
    if odd.found:
        raise _odd_row(path, text, odd)
    notes = _cut_off(text, len(content))
    return TableFile(text.headers, text.metadata, {name: table.column(name) for name in names}, notes)


def _taken_apart(path: Path, content: bytes) -> _Text:
    """Metadata lines, the header line, and where the rows begin."""
    if b"\0" in content[:65536]:
        raise _unreadable(path, "it is not text", "Export the table as CSV or Parquet")
    try:
        content.decode("utf-8")
    except UnicodeDecodeError as error:
        # A cut inside a character at the very end is a cut, not another encoding.
        if error.start < len(content) - 4:
            content = content.decode("latin-1").encode("utf-8")
        else:
            content = content[: error.start]
    content = content.removeprefix(b"\xef\xbb\xbf")
    metadata: dict[str, str] = {}
    at = lines = 0
    while content[at : at + 1] in (b"#", b"\n", b"\r"):
        end = content.find(b"\n", at)
        end = len(content) if end < 0 else end + 1
        key, colon, value = content[at:end].decode("utf-8").lstrip("#").partition(":")
        if colon:
            metadata[key.strip()] = value.strip()
        at, lines = end, lines + 1
    end = content.find(b"\n", at)
    end = len(content) if end < 0 else end + 1
    line = content[at:end].decode("utf-8").strip("\r\n")
    if not line.strip():
        raise _unreadable(path, "it holds no header line", "Export the table again")
    delimiter = max(_DELIMITERS, key=line.count)
    headers = _split_line(line, delimiter)
    return _Text(metadata, headers, delimiter, content[end:], lines + 1, end)


def _split_line(line: str, delimiter: str) -> tuple[str, ...]:
    """Cells of a line; quoted ones may hold the delimiter."""
    cells, cell, quoted = [], "", False
    for character in line:
        if character == '"':
            quoted = not quoted
        elif character == delimiter and not quoted:
            cells.append(cell.strip())
            cell = ""
        else:
            cell += character
    return (*cells, cell.strip())


def _decimal_comma(text: _Text) -> bool:
    """Semicolons between the cells leave the comma to the numbers."""
    head = text.body[:4096]
    return text.delimiter == ";" and b"," in head and b"." not in head


def _whole_lines(body: bytes) -> int:
    """Bytes up to the last line end. What follows may be cut off inside a number and yet look like one.

    A table that is but one line without an end is kept.
    """
    return body.rfind(b"\n") + 1 or len(body)


def _cut_off(text: _Text, size: int) -> tuple[Note, ...]:
    """Told where the unfinished last line has too few cells; many programs leave out the last line end."""
    whole = _whole_lines(text.body)
    rest = text.body[whole:].decode("utf-8", "replace")
    if not rest.strip() or len(_split_line(rest, text.delimiter)) >= len(text.headers):
        return ()
    return (Note("cut_off", {"bytes_read": text.bytes_before + whole, "bytes_in_file": size}),)


def _odd_row(path: Path, text: _Text, odd: _OddRows) -> UnreadableLog:
    number, actual, expected = odd.found[0]
    return _unreadable(
        path,
        f"line {text.lines_before + max(number, 1)} has {actual} cells, the header line has {expected}",
        "Export the table again",
    )


def _first_line(error: Exception) -> str:
    lines = str(error).splitlines()
    return (lines[0] if lines else type(error).__name__)[:160].rstrip(". ")
