"""Rules over the API: those that new sheets are made with, and those that were kept."""

from tests.support.api import HERE, got

NO_ONE = "0" * 32


def test_rules_are_told_whole_and_by_their_version(program, made):
    told = got(program.get(f"{HERE}/rules"))
    assert (told["schema"], told["version_id"], told["is_built_in"]) == (1, "", True)
    assert told["when"] is None and told["name"] in told["text"]
    body = {"topic": "push", "answer": "go", "visit": made.visits[0]}
    got(program.post(f"{HERE}/players/{made.ada}/decisions", json=body))
    kept = got(program.get(f"{HERE}/rules"))
    assert kept["version_id"] and kept["text"] == told["text"]
    assert got(program.get(f"{HERE}/rules/{kept['version_id']}")) == kept
    answer = program.get(f"{HERE}/rules/{NO_ONE}")
    assert answer.status_code == 404 and NO_ONE in answer.text
