"""What is said of causes: words that never exceed the numbers, for technician and owner.

It is never a verdict: the maker's procedure and licensed practice come first.
"""

from __future__ import annotations

from collections.abc import Iterable

from logbench.analysis.causes.catalog import CAUSES
from logbench.analysis.causes.hand_tests import HAND_TESTS, Done
from logbench.analysis.causes.model import NOT_LISTED, NOTHING_WRONG, Causes, Ranked
from logbench.analysis.causes.next_tests import settled
from logbench.analysis.statement import joined, said

MOST_LIKELY, POINTS_TO = 0.8, 0.6
"""From so much on a cause is put first; below the second none is."""
BESIDE = 1.0 / 3.0
"""A second cause that has this share of the first one's probability stands beside it."""
GONE_FROM, GONE = 0.05, 0.25
"""A cause that had at least so much is all but ruled out where this share of it is left."""
NO_VERDICT = "Not a verdict on a part: the maker's procedure and licensed practice come first."


def cause_words(key: str) -> str:
    """A cause in the technician's words; of one that is not known its key."""
    return CAUSES[key].text if key in CAUSES else key


def brief(key: str) -> str:
    """The same without what stands in brackets, for sentences and lists."""
    return cause_words(key).partition(" (")[0]


def owners_words(key: str) -> str:
    """The same in the owner's."""
    return CAUSES[key].owner if key in CAUSES else key


def share_text(share: float) -> str:
    """`45 %`, `<1 %`, `>99 %`: a share or a probability, never surer than it is."""
    if 0.0 < share < 0.01:
        return "<1 %"
    return ">99 %" if 0.99 < share < 1.0 else f"{100.0 * share:.0f} %"


def headline(causes: Causes) -> str:
    """What explains all of it, in a sentence for the technician."""
    first, *rest = causes.ranked
    if first.cause == NOT_LISTED and first.probability >= POINTS_TO:
        return said("Nothing listed explains this ({p}).", p=share_text(first.probability))
    if first.probability >= POINTS_TO and first.cause == NOTHING_WRONG:
        return said("Most likely {one}.", one=_with_number(first))
    if first.probability >= MOST_LIKELY:
        return said("Most likely: {one}.", one=_with_number(first))
    if first.probability >= POINTS_TO:
        return said("Points to: {one}.", one=_with_number(first))
    pair = _beside(first, rest)
    if pair is not None:
        a, b = map(_with_number, pair)
        return said("Cannot be told apart: {a} or {b}.", a=a, b=b)
    return said("No cause stands out: none of them has {p}.", p=share_text(POINTS_TO))


def no_test(causes: Causes) -> str:
    """Why none is proposed."""
    first = causes.ranked[0]
    if settled(causes):
        return said("No test is needed to tell what it is: {one}.", one=_with_number(first))
    return "No test of the list tells more."


def _beside(first: Ranked, rest: list[Ranked]) -> tuple[Ranked, Ranked] | None:
    """Two real causes that have it between them."""
    if not rest or {first.cause, rest[0].cause} & {NOTHING_WRONG, NOT_LISTED}:
        return None
    second = rest[0]
    near = second.probability >= BESIDE * first.probability
    both = first.probability + second.probability >= POINTS_TO
    return (first, second) if near and both else None


def _with_number(one: Ranked) -> str:
    return said("{cause} ({p})", cause=brief(one.cause), p=share_text(one.probability))


def owners_paragraph(causes: Causes, done: Iterable[Done] = ()) -> str:
    """One paragraph for the owner: what it points to, how sure, and what was tested."""
    first, *rest = causes.ranked
    sure = share_text(first.probability)
    if first.cause == NOTHING_WRONG and first.probability >= POINTS_TO:
        head = said("What was recorded shows nothing wrong ({p} sure).", p=sure)
    elif first.cause in (NOTHING_WRONG, NOT_LISTED):
        head = said("What was recorded does not yet tell what it is.")
    elif first.probability >= POINTS_TO:
        how = "most likely is" if first.probability >= MOST_LIKELY else "points to"
        words = owners_words(first.cause)
        head = said("What was found {how}: {words} ({p} sure).", how=how, words=words, p=sure)
    elif (pair := _beside(first, rest)) is not None:
        a, b = (
            said("{words} ({p} sure)", words=owners_words(c.cause), p=share_text(c.probability))
            for c in pair
        )
        head = said("One of two, which a further test must tell apart: {a}, or {b}.", a=a, b=b)
    else:
        head = said("What was recorded does not yet tell what it is.")
    titles = [HAND_TESTS[one.test].title for one in done if one.test in HAND_TESTS]
    parts = [head]
    if titles:
        parts.append(said("Tested by hand so far: {tests}.", tests=", ".join(titles)))
    return joined(parts, by=" ")


def ruled_out(before: Causes, after: Causes, done: Done) -> str:
    """What one test did to the explanations, as a clause: what it pointed to, what it all but
    ruled out; empty where it moved nothing."""
    if done.test not in HAND_TESTS:
        return ""
    then = {one.cause: one.probability for one in after.ranked}
    moved = [(one.cause, one.probability, then.get(one.cause, 0.0)) for one in before.ranked]
    gone = [c for c, p, q in moved if p >= GONE_FROM and q < GONE * p]
    up = [c for c, p, q in moved if q >= POINTS_TO > p]
    clauses = [said("points to {cause}", cause=brief(c)) for c in up]
    if gone:
        clauses.append(said("all but rules out {causes}", causes="; ".join(map(brief, gone))))
    return joined(clauses, by="; ") if clauses else ""
