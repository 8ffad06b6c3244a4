"""A session in which each insole is in the other shoe says so."""

import re
from dataclasses import replace
from importlib import resources
from itertools import islice

from plantigrade_gateway.analysis.record import analyse_record
from plantigrade_gateway.record.entries import Batch, Kind
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.sources.replay import demo_file, read_replay


def mirrored_layout() -> str:
    """The built-in layout with medial and lateral exchanged."""
    text = (resources.files("plantigrade") / "layouts" / "eighteen.toml").read_text("utf-8")
    return re.sub(r"\bx = ([0-9.]+)", lambda m: f"x = {1.0 - float(m[1]):.2f}", text)


def test_a_walk_whose_steps_end_on_the_small_toes_side_is_said():
    """The practice session's walk ends on the big toe's; exchanged insoles turn that round."""
    said = "look whether each insole is in its own shoe"
    batches = list(islice(read_replay(demo_file()), 4))  # two minutes and a half
    as_it_is = analyse_record(batches, "test").quality
    assert as_it_is is not None and not any(said in note for note in as_it_is.notes)
    settings = SessionSettings(mass_kg=74.0, layout=mirrored_layout())
    changed = [
        Batch.of(
            replace(e, data=settings.to_json()) if e.kind is Kind.SETTINGS else e for e in batch
        )
        for batch in batches
    ]
    turned = analyse_record(changed, "test").quality
    assert turned is not None
    assert [note for note in turned.notes if said in note] == [
        "the steps of both feet end on the small toe's side: look whether each insole is in its "
        "own shoe"
    ]
