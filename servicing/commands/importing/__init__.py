"""Importing files of rows: looked at first, then imported. A short file while its page waits, a long one by the workers.

The kinds of master data are the fleet's; what the log says of how units stand is added here.
"""

from __future__ import annotations

from fleet.commands.importing import (
    KINDS,
    MOST_BYTES,
    MOST_ROWS,
    MOST_ROWS_OF_ALL,
    TITLES,
    Column,
    Fate,
    Judged,
    Line,
    Table,
    columns,
    import_table,
    left_out,
    packing,
    permission_for,
    read_file,
    workbooks,
    writing,
)
from servicing.commands.importing.carrying_out import begin_import, run_import
from servicing.commands.importing.judging import UNITS, judge_rows, judge_table
from servicing.commands.importing.looking import (
    LEFT_OUT,
    begin_look,
    left_out_file,
    refuse_size,
    run_look,
    says,
)

__all__ = [
    "KINDS",
    "LEFT_OUT",
    "MOST_BYTES",
    "MOST_ROWS",
    "MOST_ROWS_OF_ALL",
    "TITLES",
    "UNITS",
    "Column",
    "Fate",
    "Judged",
    "Line",
    "Table",
    "begin_import",
    "begin_look",
    "columns",
    "import_table",
    "judge_rows",
    "judge_table",
    "left_out",
    "left_out_file",
    "packing",
    "permission_for",
    "read_file",
    "refuse_size",
    "run_import",
    "run_look",
    "says",
    "workbooks",
    "writing",
]
