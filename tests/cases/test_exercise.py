"""Exercises: the same for everybody, the truth in no file before the commitment, and told then."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from logbench.analysis.causes.catalog import CAUSES
from logbench.analysis.causes.hand_tests import HAND_TESTS, Done
from logbench.analysis.causes.model import NOT_LISTED, NOTHING_WRONG
from logbench.analysis.causes.next_tests import next_tests
from logbench.analysis.engine import Engine
from logbench.cases.causes import Explained, explain_job
from logbench.cases.exercise import (
    BeginExercise,
    Play,
    choices,
    commit,
    complaints,
    debrief,
    offered,
    perform,
    play_in,
    truth_of,
)
from logbench.cases.work import run_here
from logbench.cli.main import main
from logbench.errors import LinkUnknownError, UsageError
from logbench.job.folder import JobFolder, open_job
from logbench.job.model import Job
from logbench.recording.reader import open_recording
from logbench.simulator.exercise import KINDS, Exercise, exercise_of
from logbench.simulator.faults import FAULT_NAMES, possible_faults
from logbench.simulator.options import make_car, parse_sim_url
from tests.analysis.causes.handmade import LEAN, explained

LEAKS = Exercise(2, "diesel")
"""Charge air leaks: nothing else that is written of a car has its name."""


def test_a_text_is_an_exercise_and_says_no_more():
    for text in ("4711", "diesel-4711", "any-7", " Hybrid-3 "):
        assert exercise_of(exercise_of(text).text) == exercise_of(text)
    assert exercise_of("any-7").text == "7"
    for text in ("", "steam-1", "1234567", "-3", "diesel", "4711; rm", "diesel-4711-maf_low"):
        with pytest.raises(UsageError, match="is not an exercise"):
            exercise_of(text)


def test_the_same_text_is_the_same_car_with_the_same_fault_and_others_differ():
    every = [Exercise(n) for n in range(300)]
    many = Counter(len(one.faults()) for one in every)
    assert many[1] > many[0] > 20
    assert many[2] > 20
    assert [one.faults() for one in every] == [Exercise(n).faults() for n in range(300)]
    assert len({name for one in every for name in one.faults()}) > 0.8 * len(FAULT_NAMES)
    for one in every:
        assert set(one.faults()) <= set(possible_faults(one.car))
    for kind in set(KINDS) - {"any"}:
        assert Exercise(5, kind).car.kind == kind


def test_the_link_of_an_exercise_is_its_car_and_takes_nothing_else_of_the_car():
    drive = make_car(parse_sim_url(LEAKS.link + "&speed=20"))
    assert dict(drive.faults) == LEAKS.faults()
    assert drive.car == LEAKS.car
    for more in ("fault=maf_low:1", "seed=3", "kind=gasoline", "ambient=3"):
        with pytest.raises(LinkUnknownError, match="leave out"):
            parse_sim_url(f"{LEAKS.link}&{more}")
    with pytest.raises(LinkUnknownError, match="is not an exercise"):
        parse_sim_url("sim:?exercise=steam-1")


def test_the_customer_complains_of_what_the_fault_does_now_and_then_of_something_else():
    named, all_of = 0, 0
    for number in range(400):
        one = Exercise(number)
        mine = {key for cause in truth_of(one) for key in CAUSES[cause].symptoms}
        found = complaints(one)
        assert len(found) <= 3
        named, all_of = named + len(mine & set(found)), all_of + len(found)
    assert 0.6 < named / all_of < 0.98


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of an exercise that was driven and read."""
    return run_here(BeginExercise(LEAKS, tmp_path_factory.mktemp("jobs")))


def test_a_new_exercise_has_a_drive_a_reading_a_complaint_and_the_truth_nowhere(begun: Path):
    home, job = open_job(begun)
    assert job.title == "Exercise diesel-2"
    assert LEAKS.link in job.concern
    assert [entry.role for entry in job.recordings] == ["before"]
    recording = open_recording(home.path / job.recordings[0].file)
    assert recording.facts.link.simulated
    assert recording.facts.link.url == LEAKS.link
    assert recording.duration_ns > 600e9
    assert home.reading(job.readings[0]).identity.vin == LEAKS.car.vin
    (cause,) = LEAKS.faults()
    words = {cause, CAUSES[cause].text, "severity"}
    for file in begun.rglob("*"):
        for word in words if file.is_file() else ():
            assert word.encode() not in file.read_bytes(), (file, word)
        assert not any(word in str(file) for word in words)


def test_what_the_person_drives_alone_needs_only_the_link(tmp_path: Path):
    _, job = open_job(run_here(BeginExercise(LEAKS, tmp_path / "new", driven=False)))
    assert (job.recordings, job.readings) == ([], [])
    assert play_in(job) == Play(LEAKS)


def test_a_test_shows_the_same_whenever_it_is_done_and_costs_its_minutes(begun: Path):
    home = JobFolder(begun)
    job = home.load()
    told = run_here(explain_job(home, job))
    first = perform(job, told, "charge_pressure_test")
    assert first == perform(home.load(), told, "charge_pressure_test")
    assert [test.done for test in job.tests] == [first]
    with pytest.raises(UsageError, match="not a test that is left"):
        perform(job, told, "charge_pressure_test")
    with pytest.raises(UsageError, match="not a test that is left"):
        perform(job, told, "propane")  # of spark ignition only
    commit(job, ["charge_leak_before"])
    with pytest.raises(UsageError, match="already"):
        perform(job, told, "smoke_test")
    shown = debrief(play_in(job), told, [first])
    assert shown.minutes == HAND_TESTS["charge_pressure_test"].minutes
    assert shown.verdict == "Right."


def test_what_tests_show_is_of_what_is_wrong_as_often_as_the_catalog_says():
    shown = []
    for number in range(600):
        play = Play(Exercise(number, "gasoline"))
        if truth_of(play.exercise) == ("unmetered_air",):
            shown.append(play.perform("smoke_test").outcome)
    assert len(shown) > 20
    assert Counter(shown)["leak"] / len(shown) > 0.75


def test_one_commits_to_one_cause_or_two_of_the_list_and_once():
    job = Job(exercise="diesel-2")
    for wrong in ([], ["steam"], ["fan", "mount", "slip"]):
        with pytest.raises(UsageError, match="Commit to one cause or two"):
            commit(job, wrong)
    commit(job, ["fan", "mount"])
    assert play_in(job).committed == ("fan", "mount")
    with pytest.raises(UsageError, match="already"):
        commit(job, ["fan"])
    assert play_in(Job()) is None
    assert play_in(Job(exercise="of a later version 3")) is None


def of_two() -> Exercise:
    return next(one for one in map(Exercise, range(100)) if len(one.faults()) == 2)


def test_the_verdict_is_of_all_that_was_wrong():
    told = Explained(LEAN, Engine())
    a, b = truth_of(of_two())
    other = next(key for key in CAUSES if key not in (a, b))
    for committed, says in (
        ((a, b), "Right."),
        ((a,), "Half of it"),
        ((a, other), "Half of it"),
        ((other,), "Not found."),
    ):
        assert debrief(Play(of_two(), committed), told, ()).verdict.startswith(says)
    (one,) = truth_of(LEAKS)
    assert debrief(Play(LEAKS, (one, "fan")), told, ()).verdict.startswith("Found, and one thing")
    with pytest.raises(UsageError, match="once you have committed"):
        debrief(Play(LEAKS), told, ())


def test_each_test_stands_beside_what_would_have_been_better():
    told = Explained(LEAN, Engine())
    best = next_tests(LEAN, Engine())[0].test
    done = [Done("fan_bridge", "nothing"), Done(best.key, "nothing")]
    poor, good = debrief(Play(LEAKS, ("fan",)), told, done).steps
    assert poor.advised is best
    assert not poor.well_chosen
    assert f"Better: {best.title}" in poor.sentence
    assert good.well_chosen
    assert "The best choice." in good.sentence
    sure = Explained(explained(maf_low=0.99, fan=0.01), Engine())
    (needless,) = debrief(Play(LEAKS, ("fan",)), sure, [Done("fan_bridge", "nothing")]).steps
    assert needless.sentence == "Nothing needed testing any more."


def test_nothing_wrong_is_an_answer_and_not_listed_is_none():
    assert choices(LEAN)[0] != NOT_LISTED
    assert NOT_LISTED not in choices(LEAN)
    sound = next(one for one in map(Exercise, range(100)) if not one.faults())
    told = debrief(Play(sound, (NOTHING_WRONG,)), Explained(LEAN, Engine()), ())
    assert told.verdict == "Right."
    assert told.sentences[0] == "Nothing was wrong with the car."


def test_what_the_recording_says_is_not_offered_as_a_test(begun: Path):
    home = JobFolder(begun)
    told = run_here(explain_job(home, home.load()))
    keys = [test.key for test in offered(told, [Done("look_over", "nothing")])]
    assert "look_over" not in keys
    assert "propane" not in keys
    assert keys == [key for key in HAND_TESTS if key in keys]


# --- in the terminal ---


def typed(capsys: pytest.CaptureFixture[str], *args: object) -> str:
    assert main(["exercise", *map(str, args)]) == 0
    return capsys.readouterr().out


def test_it_is_played_to_its_end_in_the_terminal(tmp_path: Path, capsys):
    out = typed(capsys, "--seed", 2, "--kind", "diesel", "--into", tmp_path)
    folder = tmp_path / "Exercise diesel-2"
    assert "".join(str(folder).split()) in "".join(out.split())  # lines end at its blank, too
    assert "charge_pressure_test" in out
    assert "probability" not in out
    assert "What was wrong" not in out
    out = typed(capsys, folder, "--do", "charge_pressure_test", "--advice")
    assert "Pressure test of the charge-air path: leaks" in out
    assert "probability" in out
    out = typed(capsys, folder, "--commit", "charge_leak_before")
    assert "Right." in out
    assert "What was wrong: charge air leaking between charger" in " ".join(out.split())
    assert "--seed diesel-2" in out
    assert main(["exercise", str(folder), "--do", "smoke_test"]) == 3
    assert "already" in capsys.readouterr().err


def test_what_is_no_exercise_is_refused_in_a_sentence(tmp_path: Path, capsys):
    for args in (
        ("--seed", "steam-1"),
        ("--seed", "diesel-1", "--kind", "gasoline"),
        ("--kind", "steam"),
        (tmp_path, "--seed", "3"),
        (tmp_path,),
    ):
        assert main(["exercise", *map(str, args)]) == 3
        assert capsys.readouterr().err.startswith("logbench: ")
