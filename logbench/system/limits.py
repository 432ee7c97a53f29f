"""Every number that bounds what comes from outside: files, folders, texts, pictures.

One home, so that a limit is found, argued about and changed in one place. Each is checked before
memory is taken for what it bounds, and says why it is what it is. Where no source is named, it is
ours: what the largest honest file needs, several times over, and what a small workshop computer
(8 GB of memory) stands.
"""

from __future__ import annotations

# --- small documents: settings, jobs, notes, bands, mappings ---

DOCUMENT_DEPTH = 40
"""Containers within one another in JSON or TOML; our own have six."""
DOCUMENT_DIGITS = 300
"""Of a whole number in JSON or TOML: beyond it no floating-point number follows."""
TOML_MARKS = 300_000
"""Line ends, commas and equal signs in one TOML file: what its parser's time goes by (about 1.5 s
for so many). A job with every list full has 40,000."""
TABLES_BYTES = 300_000
"""Of a file of bands, own checks or own signals, which people write; the built-in bands have 16 kB.
"""
MAPPING_BYTES = 3_000_000
"""Of a mapping for imports: a thousand bytes for each of `SHEET_COLUMNS`."""
SETTINGS_BYTES = 5_000_000
"""Of the settings: 60 layouts and what was used last take 1 MB."""
CARS_BYTES = 50_000_000
"""Of the known cars; a thousand of them with all they answered take 5 MB."""
JOB_BYTES = 5_000_000
"""Of a job file: 500 notes of a page each take 2 MB."""
READING_BYTES = 20_000_000
"""Of one reading of a car's records; a full one of five ECUs takes 200 kB."""
NOTES_BYTES = 4_000_000
"""Of the notes beside a recording: `NOTES` of `NOTE_CHARS` each."""
NOTES = 2000
"""Notes of one recording."""
NOTE_CHARS = 2000
"""Of one note."""
NOTES_SEARCHED_CHARS = 20_000
"""Of a recording's notes, kept for searching in an archive."""
JOB_ENTRIES = 500
"""Of one list in a job."""
HANDOVER_BYTES = 20_000_000_000
"""Of all that a packed job holds, unpacked: 200 files of `COPIED_FILE_BYTES`."""
HANDOVER_FILES = 5000
"""In a packed job: four lists of `JOB_ENTRIES`, notes beside them, and reports."""
LEDGER_BYTES = 50_000_000
"""Of a job's ledger: 60,000 entries, one for each second of sixteen hours of typing."""
LEDGER_LINES = 200_000
"""More lines than so many bytes hold entries."""
LEDGER_LINE_BYTES = 4000
"""Of one entry; ours take 800."""
REPORT_BYTES = 300_000_000
"""Of a report that is verified; one with 500 photos takes 100 MB."""
SCREEN_MESSAGE_BYTES = 64
"""Of what a second screen may send in one message; a marker takes 20."""
KEY_BYTES = 10_000
"""Of the file of a key; ours takes 120."""

# --- what a person or a file says ---

EXPRESSION_CHARS = 400
"""Of an expression."""
EXPRESSION_DEPTH = 30
"""Brackets within one another in an expression; its parser calls itself for each."""
KEY_CHARS = 100
"""Of a signal's or ECU's name in a layout or a drag."""
LAYOUT_STRIPS = 100
"""Strips of one layout: more than any screen shows."""
LAYOUT_TRACES = 50
"""Traces of one strip of a layout."""
DRAG_BYTES = 1000
"""Of what is dropped as a trace: two names."""

# --- folders ---

FOLDER_FILES = 1_000_000
"""Names looked at in a folder and all below it: 100 drives a day for 27 years; listing them takes
seconds, and 0.4 GB."""
FOLDER_DEPTH = 12
"""Folders within one another."""
COPIED_FILE_BYTES = 100_000_000
"""Of a photo or other file taken into a job; a recording may be larger."""

# --- recordings: Parquet files of any origin ---

FOOTER_BYTES = 32_000_000
"""Of a Parquet file's footer: `ROW_GROUPS` take 10 MB, the events of a long drive 1 MB; walking
through so many bytes takes seconds at worst."""
ROW_GROUPS = 10_000
"""Of one file: ours have one for each signal of each ECU."""
ROWS = 200_000_000
"""Of one file: thirty signals at 10 Hz for a week; all its samples take 3.2 GB of memory."""
ROWS_FREE = 20_000_000
"""Rows that any file may claim, however small it is: constant values are packed into next to
nothing. They take 0.3 GB of memory."""
ROWS_PER_BYTE = 2
"""Rows that each byte of a file may claim beyond that: ours take one to five bytes a row."""
UNPACKED_BYTES = 4_000_000_000
"""Of the pages that are read at once: one column of one row group, one trace, one table."""
PAGE_BYTES = 256_000_000
"""Of one page, unpacked: it is unpacked whole. Writers aim at 1 MB, ours at 4 MB at most."""
PAGE_HEAD_BYTES = 1_000_000
"""Of a page's head, with the lowest and highest value in it; ours have 30."""
NAME_CHARS = 300
"""Of a signal's or ECU's name in a file."""
EXCHANGE_BYTES = 67_108_864
"""Of the exchanges with the car in one frame of a journal, unpacked; half a second's take 100 kB on
the fastest bus."""
EXCHANGES_BYTES = 2_000_000_000
"""Of all exchanges in a recording: eight hours at 60 requests a second take 20 MB."""
EXCHANGES_ROWS = 20_000_000
"""Of the same, when read: four days at 60 a second; each takes 200 bytes of memory."""
TRACES = 10_000
"""Pairs of signal and ECU in one recording."""

# --- files of other programs ---

TEXT_BYTES = 1_000_000_000
"""Of a text file or CAN log that is imported: ten million rows of ten columns."""
SHEET_COLUMNS = 3000
"""Of a table: every signal of SAE J1979 of ten ECUs. Guessing what a column is takes 1 ms."""
SHEET_CELLS = 50_000_000
"""Of a table: each costs 70 bytes as text. Twenty hours of 70 signals at 10 Hz."""
LINE_CHARS = 1_000_000
"""Of a line of a text file: `SHEET_COLUMNS` cells of 300 characters."""
CELL_CHARS = 200
"""Of a cell that is looked at as a number, a unit or a time."""
HEADER_CHARS = 300
"""Of a column's name; what is beyond is left out of it."""
BOOK_BYTES = 400_000_000
"""Of a spreadsheet workbook, unpacked: 40 bytes for each of `BOOK_CELLS`, and as much again."""
BOOK_CELLS = 5_000_000
"""Of all its sheets together; each takes 5 µs. Two hours of 70 signals at 10 Hz."""
BOOK_ROWS = 1_048_576
"""Of one of its sheets: more no program writes (ECMA-376, as practiced; from memory)."""
TABLE_CELLS = 200_000_000
"""Of a Parquet table of another program; each costs 8 bytes, texts are held to `SHEET_CELLS`."""
DRIVES = 1000
"""Recordings made of one file: three a day for a year."""
REASONS = 1000
"""Different (column, reason) pairs counted while a file is imported; further ones share one."""
CAN_CHANNELS = 64
"""Of one CAN log."""
CAN_BLOCK_BYTES = 64_000_000
"""Of one packed block of a BLF log, unpacked; writers make blocks of 128 kB."""
SESSION_BYTES = 200_000_000
"""Of the text of an adapter's session: `SESSION_REQUESTS` with replies of 100 characters."""
SESSION_REQUESTS = 2_000_000
"""Of one session: a day at 20 a second; each takes 400 bytes of memory."""

# --- pictures ---

PICTURE_BYTES = 60_000_000
"""Of a picture's file."""
PICTURE_PIXELS = 200_000_000
"""Of a JPEG, which is decoded at the size it is shown in; the largest telephone cameras make so
many."""
PICTURE_PIXELS_WHOLE = 40_000_000
"""Of other formats and progressive JPEGs, which have to be decoded whole: 160 MB of memory."""
PICTURE_SCANS = 100
"""Of a progressive JPEG: each is a pass over the whole picture, and cameras make ten."""

# --- the way to the car ---

REPLY_BYTES = 65_536
"""Of an adapter's reply up to its prompt: nothing that is asked brings a tenth of it."""
REPLY_FRAMES = 10_000
"""Of a CAN bus for one request: a message of 4,095 bytes of each of eight ECUs takes 4,688."""
RADIO_PIECES = 4096
"""Of a Bluetooth device, not yet read, of up to 512 bytes each; further ones are dropped."""
CAR_ANSWERS = 1000
"""Kept of what came after a change: an ECU may say 'response pending' for ever."""

# --- answers to SQL that a person wrote ---

QUERY_FOLDER_BYTES = 100_000_000_000
"""Of what a query puts aside because it does not fit into memory; half of what the disk has free
where that is less. How much memory it may have goes by the computer: `system/memory.py`."""
QUERY_ROWS = 5_000_000
"""Of an answer: more than a spreadsheet takes, by four times."""
QUERY_BYTES = 256_000_000
"""Of an answer, which is held in memory as a whole."""
QUERY_S = 600.0
"""Of one query: at the rate measured (docs/scale.md) the median of a signal over 10^5 recordings
takes 80 s."""

OPENED_TEXT_BYTES = 10_000_000
"""Of a text of a job that is handed to the computer's program for texts; it is looked through."""
