"""The text of an expression as a tree; every mistake is one sentence that names its place."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from logbench.errors import UsageError
from logbench.signals.units import known
from logbench.system.limits import EXPRESSION_CHARS, EXPRESSION_DEPTH

EXAMPLE = "RPM > 4000 and LOAD_PCT > 80"
VALUE_EXAMPLE = "where(RPM > 400 rpm, MAF) / displacement"

POINTWISE = {"abs": 1, "sqrt": 1, "log": 1, "exp": 1, "min": 2, "max": 2, "where": 2}
"""Functions of the values of one instant, and how many arguments they have."""
OVER_TIME = {"rate": 1, "mean": 2, "median": 2, "lowest": 2, "highest": 2, "delay": 2, "hold": 2}
"""Functions of what came before; the second argument is a duration."""
FUNCTIONS = POINTWISE | OVER_TIME
COMPARISONS = {
    "<": "<", "<=": "<=", ">": ">", ">=": ">=", "=": "=", "==": "=", "!=": "!=",
    "below": "<", "under": "<", "above": ">", "over": ">",
}  # fmt: skip
TIMES = {"after": ">=", "before": "<"}
"""`after 10 min` is `time >= 10 min`."""
WORDS = ("and", "or", "not", "time", *TIMES, *(w for w in COMPARISONS if w.isalpha()), *FUNCTIONS)
"""What cannot be the acronym of a signal."""

_TOKEN = re.compile(
    r"\s*(?:(?P<number>(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d+)?)|(?P<word>[^\W\d]\w*)"
    r"|(?P<sign>\*\*|<=|>=|==|!=|[-+*/()<>=,])|(?P<end>$)|(?P<other>.))",
    re.IGNORECASE | re.DOTALL,
)
_UNIT_BEGINS = re.compile(r"[^\W\d_]|[%°]")
_LONGEST_UNIT = 20
_OPERAND = "a number, a signal, a function or a bracket"


@dataclass(frozen=True, slots=True)
class Node:
    """A part of an expression.

    `kind`: `number`, `name`, `time`, a function, an operator or comparison as in the text, `-x`,
    `and`, `or`, `not`; after the check also `scale` (value * x + offset), and `signal`, a computed
    one with what it is made of.
    """

    kind: str
    parts: tuple[Node, ...] = ()
    text: str = ""
    """Of a name in upper case; of a number its unit as written."""
    value: float = 0.0
    offset: float = 0.0
    place: int = 0
    """Where it begins in the expression, characters."""
    unit: str | None = None
    """After the check: of its values; None: a bare number."""

    def walk(self) -> Iterator[Node]:
        """This node and all below it, in the order of the text; of `where` the values first."""
        yield self
        for part in reversed(self.parts) if self.kind == "where" else self.parts:
            yield from part.walk()


def parse(text: str) -> Node:
    """The tree of an expression. Raises `UsageError` with what does not fit and where."""
    return _Parser(text).whole()


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str
    text: str
    place: int
    unit: str = ""


class _Parser:
    def __init__(self, text: str) -> None:
        self.text = text.strip()
        if len(self.text) > EXPRESSION_CHARS:
            raise UsageError(f"An expression may have {EXPRESSION_CHARS} characters at most.")
        self.tokens = list(self._cut())
        self.at = 0
        self.depth = 0

    def _cut(self) -> Iterator[_Token]:
        place = 0
        while True:
            match = _TOKEN.match(self.text, place)
            assert match is not None
            assert match.lastgroup is not None
            kind, begin, place = match.lastgroup, match.start(match.lastgroup), match.end()
            unit = ""
            if kind == "number":
                unit, place = self._unit_at(place)
            word = match[kind].lower() if match[kind].lower() in WORDS else match[kind]
            yield _Token(kind, word, begin, unit)
            if kind == "end":
                return

    def _unit_at(self, place: int) -> tuple[str, int]:
        """The longest unit behind a number, and where it ends."""
        begin = place + len(self.text[place:]) - len(self.text[place:].lstrip())
        if not _UNIT_BEGINS.match(self.text, begin):
            return "", place
        for end in range(min(len(self.text), begin + _LONGEST_UNIT), begin, -1):
            whole = not re.match(r"\w[\w(]", self.text[end - 1 : end + 1])
            if whole and known(self.text[begin:end]) is not None:
                return self.text[begin:end].strip(), end
        return "", place

    # --- grammar, from the loosest to the tightest ---

    def whole(self) -> Node:
        found = self._either()
        if self._now.kind != "end":
            raise self._error(
                "does not fit here: write an operator, a comparison, 'and' or 'or' before it"
            )
        return found

    def _either(self) -> Node:
        return self._joined("or", self._both)

    def _both(self) -> Node:
        return self._joined("and", self._not)

    def _not(self) -> Node:
        if (token := self._take("not")) is not None:
            return Node("not", (self._deeper(self._not),), place=token.place)
        return self._comparison()

    def _comparison(self) -> Node:
        if self._now.text in TIMES:
            return self._timed()
        left = self._sum()
        if (token := self._take(*COMPARISONS)) is not None:
            left = Node(COMPARISONS[token.text], (left, self._sum()), place=left.place)
            if self._now.text in COMPARISONS:
                raise self._error("compares twice: join two comparisons with 'and'")
        if self._now.text in TIMES:
            left = Node("and", (left, self._timed()), place=left.place)
        return left

    def _timed(self) -> Node:
        token = self._take(*TIMES)
        assert token is not None
        parts = Node("time", place=token.place), self._sum()
        return Node(TIMES[token.text], parts, place=token.place)

    def _sum(self) -> Node:
        return self._joined("+ -", self._term)

    def _term(self) -> Node:
        return self._joined("* /", self._factor)

    def _joined(self, signs: str, part: Callable[[], Node]) -> Node:
        left = part()
        while (token := self._take(*signs.split())) is not None:
            left = Node(token.text, (left, part()), place=left.place)
        return left

    def _factor(self) -> Node:
        if (token := self._take("-", "+")) is not None:
            inner = self._deeper(self._factor)
            return inner if token.text == "+" else Node("-x", (inner,), place=token.place)
        base = self._atom()
        if self._take("**") is not None:
            return Node("**", (base, self._deeper(self._factor)), place=base.place)
        return base

    def _atom(self) -> Node:
        token = self._now
        self.at += token.kind != "end"
        if token.kind == "number":
            return Node("number", (), token.unit, float(token.text), place=token.place)
        if token.text == "(":
            inner = self._deeper(self._either)
            self._close()
            return inner
        if token.text == "time":
            return Node("time", place=token.place)
        if token.text in FUNCTIONS:
            return self._call(token)
        if token.kind == "word" and token.text not in WORDS:
            if self._now.text == "(":
                raise self._error(f"cannot follow: there is no function {token.text}; there are "
                           f"{', '.join(FUNCTIONS)}")  # fmt: skip
            return Node("name", (), token.text.upper(), place=token.place)
        self.at -= token.kind != "end"
        raise self._error(f"should be {_OPERAND}", f"{_OPERAND} is missing")

    def _call(self, token: _Token) -> Node:
        if self._take("(") is None:
            raise self._error(f"should be a bracket: write {token.text}(…)", "a bracket is missing")
        parts = [self._deeper(self._either)]
        while self._take(",") is not None:
            parts.append(self._deeper(self._either))
        self._close()
        wanted = FUNCTIONS[token.text]
        if len(parts) != wanted:
            raise UsageError(f"'{self.text}': {token.text} takes {wanted} "
                             f"value{'s' if wanted > 1 else ''}, not {len(parts)}.")  # fmt: skip
        return Node(token.text, tuple(parts), place=token.place)

    def _close(self) -> None:
        if self._take(")") is None:
            raise self._error("should be a closing bracket", "a closing bracket is missing")

    # --- tokens ---

    @property
    def _now(self) -> _Token:
        return self.tokens[self.at]

    def _take(self, *texts: str) -> _Token | None:
        token = self._now
        if token.kind not in ("sign", "word") or token.text not in texts:
            return None
        self.at += 1
        return token

    def _deeper(self, part: Callable[[], Node]) -> Node:
        self.depth += 1
        if self.depth > EXPRESSION_DEPTH:
            raise UsageError(f"Brackets may be {EXPRESSION_DEPTH} deep at most.")
        found = part()
        self.depth -= 1
        return found

    def _error(self, what: str, at_end: str = "") -> UsageError:
        token = self._now
        if token.kind == "end":
            return UsageError(f"'{self.text}' ends too early: {at_end or what}.")
        rest = self.text[token.place :]
        short = rest if len(rest) <= 20 else f"{rest[:19]}…"
        return UsageError(f"'{self.text}': '{short}' {what}.")
