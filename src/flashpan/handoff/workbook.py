"""The shot log as an XLSX workbook, by openpyxl: ``pip install 'flashpan[xlsx]'``."""

from __future__ import annotations

import re
from pathlib import Path

from flashpan.errors import UsageError
from flashpan.handoff.shotlog import ShotLog, Value

# XML 1.0 has no such characters, and neither have cells.
_NO_CELL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_MOST_WIDE = 60


def require_xlsx() -> None:
    """Refuse early where the library is missing.

    Raises
    ------
    UsageError
        One line with the cure.
    """
    try:
        import openpyxl  # noqa: F401
    except ImportError:
        raise UsageError(
            "--xlsx needs openpyxl, which is not installed; pip install 'flashpan[xlsx]'"
        ) from None


def write_workbook(log: ShotLog, path: Path) -> None:
    """Write one sheet: headings that stay in view, a row per entry."""
    from openpyxl import Workbook
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    book = Workbook()
    sheet = book.active
    sheet.title = "Shot log"
    sheet.append([_cell(name) for name in log.columns])
    for row in log.rows():
        sheet.append([_cell(value) for value in row])
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    for number in range(1, len(log.columns) + 1):
        letter = get_column_letter(number)
        widest = max(len(str(cell.value or "")) for cell in sheet[letter])
        sheet.column_dimensions[letter].width = min(widest + 2, _MOST_WIDE)
    for cells in sheet.iter_rows():
        for cell in cells:
            if isinstance(cell.value, str):
                cell.data_type = "s"  # text that begins with = is no formula
    sheet.freeze_panes = "B2"
    sheet.auto_filter.ref = sheet.dimensions
    book.save(path)


def _cell(value: Value) -> Value:
    return _NO_CELL.sub("\ufffd", value) if isinstance(value, str) else value
