"""Words that the files and the analysis keep in English, as the window shows them."""

from __future__ import annotations

from logbench.words import tr

_GATHERED = (  # written out, so that they are gathered for translation
    # verdicts of findings
    tr("within"), tr("watch"), tr("act"), tr("not judged"),
    # verdicts of a comparison
    tr("changed"), tr("no change shown"), tr("not comparable"),
    tr("resolved"), tr("improved"), tr("unchanged"), tr("worse"),
    # driving conditions
    tr("key-on engine-off"), tr("cranking"), tr("cold idle"), tr("warm idle"),
    tr("fast idle hold"), tr("steady cruise"), tr("acceleration"), tr("wide-open throttle"),
    tr("deceleration fuel cut"), tr("engine off"), tr("other driving"),
    # sides and roles
    tr("before"), tr("after"), tr("other"),
    # what an overlay is placed by
    tr("time"), tr("engine start"), tr("marker"), tr("coolant temperature"), tr("distance"),
    tr("best match of speed"),
    # trouble codes and files
    tr("stored"), tr("pending"), tr("permanent"),
    tr("sound"), tr("damaged"), tr("unreadable"), tr("without a checksum"),
    # events of a recording
    tr("link lost"), tr("link back"), tr("codes read"), tr("key on"), tr("key off"), tr("gap"),
    # moments of a job
    tr("job opened"), tr("note"), tr("work"), tr("photo"), tr("recording missing"),
    tr("codes cleared"), tr("clearing tried"), tr("evaporative system closed"),
    tr("car read, before"), tr("car read, after"), tr("car read, other"),
    tr("recording, before"), tr("recording, after"), tr("recording, other"),
    # signals for a purpose, steps of a drive, facts of one under way
    tr("a useful dozen"), tr("fuel trim"), tr("air and load"), tr("warm-up"),
    tr("oxygen sensors"), tr("charging"), tr("my own choice"), tr("too late for this drive"),
    tr("state"), tr("elapsed"), tr("samples"), tr("rate"), tr("size"), tr("step"),
    # ranges of numbers, see finding_text.py
    tr("any"), tr("at most {high}"), tr("at least {low}"), tr("{low} to {high}"),
    # why a column of an imported file is read as it is
    tr("as you said"),
    # parts of the report
    tr("Concern"), tr("Vehicle"), tr("Found"), tr("Records"), tr("Options"), tr("Done"),
    tr("After"), tr("Photos"), tr("Limits"), tr("Methods"), tr("Files"),
)  # fmt: skip


def word(english: str) -> str:
    """A word of a fixed set (verdict, driving condition, role …) in the user's language.

    Only for words that stand above; anything else is shown as it is.
    """
    return tr(english)
