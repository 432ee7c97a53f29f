"""What leaves the machine when a code is looked up: code, year and make only."""

from __future__ import annotations

import pytest

from logbench.errors import UsageError
from logbench.job.privacy import search_url, search_words


def test_only_code_year_and_make():
    assert search_words("P0171", 2016, "Example") == "P0171 2016 Example"
    assert search_words("P0171", None, "") == "P0171"
    url = search_url("https://search.invalid/?q={words}&lang=en", "P0171", 2016, "A & B #1")
    assert url == "https://search.invalid/?q=P0171+2016+A+%26+B+%231&lang=en"


@pytest.mark.parametrize(
    "template", ["http://x.invalid/{words}", "https://x.invalid/", "file:///{words}", "{words}"]
)
def test_odd_templates_are_refused(template):
    with pytest.raises(UsageError, match="https"):
        search_url(template, "P0171", None, "")
