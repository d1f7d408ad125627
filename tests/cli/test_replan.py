"""`airyoke plan --after`: what runs comes from a plan, from the rows of a ward, or from a record."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime

import pytest

from airyoke.circuit.builds import standard_build
from airyoke.circuit.parts import PARTS
from airyoke.cli import main
from airyoke.contract.plan_answer import PlanAnswer
from airyoke.contract.runs import runs_of_plan
from airyoke.exchange import write_tables
from airyoke.ward.demo import demo_tables
from cli.plans import plan as made_plan

NOW = "2026-11-25T14:00+00:00"
SHARED = {"mode": "pc", "flow_shape": None, "rate_per_min": 22, "inspiratory_time_s": 0.8, "pause_s": None,
          "peep_cmh2o": 11, "pressure_above_peep_cmh2o": 18, "fio2": 0.6, "peak_cmh2o": None, "flow_l_per_min": None,
          "ventilator": "V2"}  # fmt: skip


@pytest.fixture(scope="module")
def running(tmp_path_factory):
    """Two beds of the demo ward on one ventilator, as their rows say, and one alone."""
    tables = demo_tables(datetime.fromisoformat(NOW))
    beds = [{**row, **(SHARED if row["bed"] in ("E2", "E3") else {})} for row in tables["beds"] if row["bed"] in ("E2", "E3", "E5")]
    ventilators = [row for row in tables["ventilators"] if row["ventilator"] in ("V2", "V4", "V8")]
    path = tmp_path_factory.mktemp("ward") / "ward"
    write_tables(path, {"beds": beds, "ventilators": ventilators, "policy": tables["policy"]})
    return path


def test_after_an_event_it_says_what_to_dial_who_comes_off_and_what_is_opened(running, capsys):
    assert main(["plan", str(running), "--after", "leaves E3", "--now", NOW]) == 0
    text, err = capsys.readouterr()
    assert err == ""
    assert "At once" in text
    assert "bed E2" in text
    assert "0 circuits opened" in text
    assert "inspiratory branch, then" in text
    assert "last resort" in text
    assert "default build is taken" in text  # nothing says what the circuit is built of


def test_the_answer_as_json_holds_the_same(running, capsys):
    assert main(["plan", str(running), "--after", "off E3", "--json", "--now", NOW]) == 3
    answer = json.loads(capsys.readouterr().out)
    assert answer["schema"] == "airyoke/replan/1"
    assert answer["events"] == [{"kind": "off", "whose": "E3", "amount": None,
                                 "text": "E3 off: somebody has decided that the bed must come off its group"}]  # fmt: skip
    assert answer["off_first"][0]["bed"] == "E3"
    assert answer["off_first"][0]["reasons"][0]["sign"] == "decided"
    assert [one["bed"] for one in answer["left"]] == ["E3"]  # three beds, three machines, one of them held back
    assert answer["breaks"] == ["E3"]


@pytest.mark.parametrize(
    ("words", "id_"),
    [
        (["--after", "leaves E9"], "event-bed"),
        (["--after", "left E3"], "event-words"),
        (["--after", "ends V4"], "event-group"),
        (["--after", "leaves E3", "--after", "worsens E3"], "events-contradict"),
        (["--after", "leaves E3", "--running", "none.json"], "print-plan"),
        (["--recounted"], "event-missing"),
        (["--after", "leaves E3", "--keep"], "command-line"),
    ],
)
def test_what_cannot_be_is_one_line_and_exit_2(running, capsys, words, id_):
    assert main(["plan", str(running), *words, "--now", NOW]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert f"[{id_}]" in err
    assert "Traceback" not in err


def test_a_plan_that_was_carried_out_says_who_is_where_on_what_and_at_which_settings():
    made = made_plan()
    whole = tuple(
        replace(one, parts=standard_build(len(one.beds)).parts if len(one.beds) > 1 else ()) for one in made.groups
    )  # the hand-made plan lists a few parts only
    answer = PlanAnswer.of(replace(made, groups=whole))
    runs = runs_of_plan(PlanAnswer.model_validate_json(answer.json_text()), PARTS, counted=True)
    shared = [one for one in answer.groups if len(one.beds) > 1 and one.status == "judged"]
    found = {group.ventilator: group for group in runs.groups}
    for one in shared:
        group = found[one.ventilator]
        assert list(group.lanes) == one.beds
        assert group.counted
        assert dict(group.build.parts) == {part.part: part.count for part in one.circuit.parts}
        assert group.settings.rate_per_min == one.settings.rate_per_min
        assert group.settings.pressure_above_peep_cmh2o == one.settings.pressure_above_peep_cmh2o
    assert all(runs.on[one.beds[0]] == one.ventilator for one in answer.groups if len(one.beds) == 1)
