"""Texts as a hostile car, adapter, file or job would have them, and what must not come of them."""

from __future__ import annotations

import json
import unicodedata
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import tomlkit

from logbench.job.folder import JOB_FILE, create_job
from logbench.recording.columns import FACTS_KEY
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace, signal_facts
from logbench.recording.notes import NOTE_CHARS, notes_path

PROBE = "http://probe.invalid/hostile.png"
"""What markup among them would load."""

_NAMED = {
    "terminal markup": "[/b] [bold red]x[/] [link=file:///etc/passwd]y[/link] [/x]",
    "emoji code": ":skull: :warning:",
    "html": f'<b>x</b><img src="{PROBE}"><script>alert(1)</script><a href="{PROBE}">y</a>',
    "html of a local file": '<img src="file:///etc/passwd"><table><tr><td>x</td></tr></table>',
    "end of an element": "</p></td></table></body>\"'><svg onload=x> &lt;b&gt; &amp;",
    "pdf markup": '<para><font size="90">x</font><br/></para>',
    "mathematics": r"$\frac{1}{0}$ $x_1^2$",
    "colors of a terminal": "\x1b[31mred\x1b[0m\x1b[2J\x1b[1;1H",
    "title of a terminal": "\x1b]0;owned\x07\x1b]8;;http://probe.invalid\x07y\x1b]8;;\x07",
    "clipboard of a terminal": "\x1b]52;c;cm0gLXJm\x1b\\",
    "controls of 8 bits": "\x9b31mx\x9d0;y\x9c\x85z",
    "bell, NUL, CR": "a\x07b\x00c\rd\x08e\x7f",
    "direction": "photo\u202egpj.exe\u202c \u2066x\u2069 \u200f \u061c",
    "invisible": "a\u200bb\u2060c\ufeffd\u00ade\U000e0041\u3164",
    "lone surrogate": "a\udcffb\ud83d",
    "not a character": "a\ufffeb\uffff\ufdd0",
    "long": "W" * 10_000,
    "long words": "many words " * 1_000,
    "marks": "e" + "\u0301\u0336\u20dd" * 300,
    "key of a menu": "&File && &&& R&D",
    "places": "%s %n %(x)s {x} {0.__class__} {",
    "line ends": "a\n" * 300,
    "line ends of other kinds": "a\u2028b\u2029c\vd\fe\x1cf",
    "line of a log": "x\n2026-01-01 00:00:00,000 ERROR 1 MainThread logbench: forged",
    "way out": "../../x",
    "device": "CON",
    "formula": '=HYPERLINK("http://probe.invalid")',
    "place of a window's title": "[*]",
    "SQL": "'; DROP TABLE recordings; --",
}
HOSTILE = tuple(_NAMED.values())
HOSTILE_IDS = tuple(_NAMED)


def assert_plain(text: str, *, lines: bool = False) -> None:
    """Nothing in it can steer a terminal or look like something else. `lines`: may have several."""
    allowed = "\n\t" if lines else ""
    bad = {
        char
        for char in text
        if unicodedata.category(char) in ("Cc", "Cs", "Zl", "Zp")
        or (unicodedata.category(char) == "Cf" and char not in "\u200c\u200d")
    } - set(allowed)
    assert not bad, f"{bad!r} in {text[:200]!r}"


# --- files that carry such a text in every field ---


def recording_with(path: Path, text: str, car: str = "") -> Path:
    """A short recording whose facts and notes hold `text` raw, as no program of ours writes it."""
    t_ns = np.arange(400, dtype=np.int64) * 500_000_000
    levels = {"RPM": 800.0, "VSS": 0.0, "ECT": 90.0, "SHRTFT1": 2.0, "LONGFT1": 25.0, "MAF": 3.0,
              "LOAD_PCT": 30.0, "FUELSYS1": 2.0}  # fmt: skip
    facts = Facts(signals=signal_facts(levels))
    traces = [
        Trace(s, "7E8", facts.signals[s].unit, t_ns, level + 0.1 * (t_ns % 3))
        for s, level in levels.items()
    ]
    path = write_recording(path, traces, facts)
    table = pq.read_table(path)
    document: dict[str, Any] = json.loads((table.schema.metadata or {})[FACTS_KEY])
    event = {"t_ns": 10_000_000_000, "text": text, "source": text}
    document |= {
        "started_utc": text,
        "software": text,
        "note": text,
        "ecus": {"7E8": text, text: text},
        "events": [event | {"kind": kind} for kind in ("marker", "link lost", text)],
        "link": dict.fromkeys(("url", "adapter", "protocol"), text),
        "vehicle": car_of(text) | ({"label": car} if car else {}),
        "extra": {"import": {"file": text}, text: text},
    }
    document["signals"] |= {"MAF": {"unit": text, "name": text}, text: {"unit": text, "name": text}}
    raw = json.dumps(document).encode()
    pq.write_table(table.replace_schema_metadata({FACTS_KEY: raw}), path)
    note = {"start_ns": 0, "end_ns": 10**9, "text": text[:NOTE_CHARS], "made_utc": text[:40]}
    notes = {"samples_sha256": document["samples_sha256"], "notes": [note]}
    notes_path(path).write_text(json.dumps(notes))
    return path


def car_of(text: str) -> dict[str, Any]:
    """A car as a file has it."""
    names = ("label", "vin", "registration", "make", "model", "fuel", "gearbox")
    ecu = {"name": text, "calibrations": {text: text}}
    identity = {"vin": text, "protocol": text, "ecus": {"7E8": ecu, text: ecu}}
    return dict.fromkeys(names, text) | {
        "identity": identity,
        "displacement_l": 2.0,
        "read_instead": {"vin": text, "odometer_km": 3.0},
    }


def job_with(parent: Path, text: str) -> Path:
    """A job that holds `text` in every field, with a recording and a reading that do so, too."""
    line, lines = text[:300], text[:20_000]
    folder, job = create_job(parent, "visit")
    (folder.path / "recordings").mkdir(exist_ok=True)
    recording_with(folder.path / "recordings" / "before.parquet", text)
    reading = folder.path / "readings" / "before.json"
    reading.parent.mkdir(exist_ok=True)
    reading.write_text(json.dumps(reading_of(text.encode("utf-8", "replace").decode())))
    note, when = {"at_utc": "2026-03-01T10:00:00+00:00", "text": lines}, line
    document = job.model_dump(mode="json") | {
        **dict.fromkeys(("title", "technician"), line),
        **dict.fromkeys(("concern", "agreement", "conclusion"), lines),
        "customer": {"name": line, "contact": line},
        "vehicle": car_of(line) | {"identity": {}},
        "notes": [note, note | {"at_utc": when}],
        "work": [note],
        "parts": [{"name": line, "number": line, "remark": line}],
        "options": [{"what": line, "cost": line, "consequence": lines, "safety": lines}],
        "recordings": [{"file": "recordings/before.parquet", "role": "before", "label": line}],
        "readings": [{"file": "readings/before.json", "role": "before", "label": line}],
        "other_codes": [{"module": line, "code": line, "state": line, "remark": line}],
        "tests": [
            {"at_utc": when, "test": line, "outcome": line, "remark": line},
            {"test": "smoke_test", "outcome": line, "number": 1.5},
        ],
        "symptoms": [line],
        "events": [{"at_utc": when, "kind": line, "text": lines}],
        "photos": [{"file": "photos/gone.jpg", "caption": line}],
        "comparisons": [
            {"before": ["recordings/before.parquet"], "after": ["recordings/gone.parquet"],
             "label": line, "sentence": lines, "at_utc": when}
        ],
        "sentences": {"found: x": lines},
    }  # fmt: skip
    toml = tomlkit.dumps({k: v for k, v in document.items() if v is not None})
    (folder.path / JOB_FILE).write_bytes(toml.encode("utf-8", "replace"))
    return folder.path


def reading_of(text: str) -> dict[str, Any]:
    """A reading of a car as a file has it."""
    one = {"code": text, "state": "stored", "ecu": text, "text": text}
    monitor = {"key": text, "name": text, "complete": False}
    test = {"ecu": text, "monitor": text, "test_id": 1, "test": text, "unit": text, "value": 1.0}
    frozen = {"signal": text, "name": text, "value": 1.0, "unit": text, "text": text}
    ecu = {"address": text, "name": text, "calibrations": [{"id": text, "cvn": text}]}
    names = ("vin", "vin_problem", "vin_notice", "region", "country", "maker", "protocol")
    return {
        "read_utc": text,
        "software": text,
        "identity": dict.fromkeys(names, text) | {"adapter": text, "ecus": [ecu]},
        "codes": [one, one | {"ecu": "7E8", "code": "P0171"}],
        "answered": {"stored codes": [text], text: [text]},
        "freeze_frames": [{"ecu": text, "number": 0, "code": text, "values": [frozen]}],
        "readiness": [{"ecu": text, "monitors": [monitor]}],
        "monitor_results": [test | {"passed": False}, test | {"passed": True}],
        "problems": [text],
        "remarks": [text],
    }


def table_with(path: Path, text: str) -> Path:
    """Another program's CSV with `text` in a heading, a unit and cells."""
    cell = '"' + text.replace('"', '""') + '"'
    rows = [f"{k},{700 + k},{cell if k % 7 == 3 else k},{cell}" for k in range(60)]
    head = f"time,rpm,ECT ({cell[1:-1].replace(chr(10), ' ')}),{cell}".replace('""', "'")
    whole = "\n".join([head, *rows]) + "\n"
    path.write_bytes(whole.encode("utf-8", "replace"))
    return path
