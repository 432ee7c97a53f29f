"""`logbench causes`: what explains all that drives of one car show, and the test that decides."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbench.cli.options import AsJson
from logbench.cli.show import run_shown

if TYPE_CHECKING:
    from logbench.analysis.causes.hand_tests import Done
    from logbench.analysis.causes.model import Causes, Observation, Weight
    from logbench.analysis.causes.next_tests import NextTest
    from logbench.cases.causes import Explained

LEAST_SHOWN = 0.02
"""A cause that is less likely has no row in the terminal."""
MOST_SHOWN, MOST_TESTS = 8, 3


def causes(
    files: Annotated[list[Path], typer.Argument(help="Recordings (.parquet) of one car.")],
    job: Annotated[
        Path | None,
        typer.Option(help="The job's folder: its reading of the car, complaints and hand tests."),
    ] = None,
    test: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=OUTCOME", help="A hand test that was done; may be repeated."),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Say what explains all that was recorded, with probabilities, and which test tells most next.

    Never a verdict on a part: the maker's procedure and licensed practice come first.
    """
    from logbench.analysis.causes.hand_tests import after_tests
    from logbench.analysis.causes.next_tests import next_tests
    from logbench.cases.causes import explain_files

    entered = tuple(map(_done, test or ()))
    explained = run_shown(explain_files(tuple(files), job))
    done = (*explained.done, *entered)
    found = after_tests(explained.causes, done)
    following = next_tests(found, explained.engine, done)[:MOST_TESTS]
    if as_json:
        print(json.dumps(_document(files, explained, found, done, following), indent=2))
    else:
        show_causes(found, following)
    return 0


def _done(text: str) -> Done:
    """A test of the command line. UsageError names what there is."""
    from logbench.analysis.causes.hand_tests import entered
    from logbench.errors import UsageError

    name, found, outcome = text.partition("=")
    if not found:
        raise UsageError(f"{text!r} is not a test with its outcome: NAME=OUTCOME.")
    return entered(name.strip(), outcome.strip())


def show_causes(
    found: Causes, following: Sequence[NextTest], option: str = "--test {key}=…"
) -> None:
    """Causes with their probability, what speaks for the likeliest, the next tests with the option
    that enters them."""
    from logbench.analysis.causes.sentence import NO_VERDICT, brief, headline, no_test
    from logbench.analysis.engine import percent
    from logbench.cli.show import bullets, console, say, table

    say(headline(found), "bold")
    out = table("cause", "probability")
    for ranked in found.ranked[:MOST_SHOWN]:
        if ranked.probability >= LEAST_SHOWN:
            out.add_row(brief(ranked.cause), percent(ranked.probability))
    console().print(out)
    first = found.ranked[0]
    for title, weights in ((_SPEAKS_FOR, first.pro), (_SPEAKS_AGAINST, first.contra)):
        if weights:
            bullets(title, [weight.observation.words for weight in weights[:MOST_SHOWN]])
    if found.unexplained:
        bullets("The likeliest does not explain:", [o.words for o in found.unexplained])
    if following:
        bullets("What tells most next:", [_proposed(one, option) for one in following])
    else:
        say(no_test(found))
    say(f"\n{NO_VERDICT}", "dim")


_SPEAKS_FOR, _SPEAKS_AGAINST = "For the likeliest speaks:", "Against it speaks:"


def _proposed(one: NextTest, option: str) -> str:
    return f"{one.test.title} ({one.test.minutes:g} min, {option.format(key=one.test.key)})"


def _document(
    files: Sequence[Path],
    explained: Explained,
    found: Causes,
    done: Sequence[Done],
    following: Sequence[NextTest],
) -> dict[str, Any]:
    """All of it as plain JSON types; weights are natural logarithms."""
    from logbench.analysis.causes.sentence import cause_words, headline

    return {
        "files": [str(file) for file in files],
        "sentence": headline(found),
        "causes": [
            {
                "key": ranked.cause,
                "text": cause_words(ranked.cause),
                "probability": ranked.probability,
                "for": [_weight(w) for w in ranked.pro],
                "against": [_weight(w) for w in ranked.contra],
            }
            for ranked in found.ranked
        ],
        "explanations": [asdict(hypothesis) for hypothesis in found.hypotheses[:MOST_SHOWN]],
        "unexplained": [_seen(observation) for observation in found.unexplained],
        "tests": [asdict(one) for one in done],
        "next_tests": [
            {"key": one.test.key, "minutes": one.test.minutes, "bits": one.bits}
            for one in following
        ],
        "findings": len(explained.findings),
    }


def _seen(observation: Observation) -> dict[str, Any]:
    spans = [[span.start_ns, span.end_ns] for span in observation.spans]
    return {"key": observation.key, "words": observation.words, "evidence": spans}


def _weight(weight: Weight) -> dict[str, Any]:
    return _seen(weight.observation) | {"log_odds": weight.log_odds}
