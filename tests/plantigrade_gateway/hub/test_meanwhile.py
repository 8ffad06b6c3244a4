"""What is acknowledged while a session is ended or tidied is never lost, whenever it comes.

Another connection hands over at each moment at which the work asks the object store something:
just there a request of the same bay, or another hub, may have its turn.
"""

import hashlib
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from tests.support.hub import STARTED, Site, end_of

from plantigrade_gateway.hub import rows
from plantigrade_gateway.hub.objects import Objects
from plantigrade_gateway.hub.rows import Row
from plantigrade_gateway.hub.uploads import OutOfPlace, Uploads
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.packing import pack
from plantigrade_gateway.sources.replay import read_replay
from plantigrade_gateway.sync.bodies import Piece
from plantigrade_gateway.sync.messages import Received, SessionEnd, SessionHead

pytestmark = pytest.mark.dear
ID, OTHER = "0123456789abcdef" * 2, "fedcba9876543210" * 2
PIECES = [pack(Batch.of([Entry(k * 10**9, SESSION, Kind.MARK, b"m%d" % k)])) for k in range(6)]
MOMENTS = range(12)
"""More than any work here asks the object store."""


@pytest.fixture
def hub(hub_on_each: Site) -> Site:
    return hub_on_each


class Watched(Objects):
    """An object store at whose n-th question, just before or just after it, something else is done.

    Attributes
    ----------
    asked : int
    """

    def __init__(self, place: str, moment: int, work: Callable[[], None], *, after: bool = False):
        made = Objects.of(place)
        super().__init__(made._store, made._folder)
        self.asked = 0
        self._moment, self._work, self._after = moment, work, after

    def _noted(self, question: Callable[..., Any], *arguments: Any) -> Any:
        is_now = self.asked == self._moment
        self.asked += 1
        if is_now and not self._after:
            self._work()
        found = question(*arguments)
        if is_now and self._after:
            self._work()
        return found

    def put(self, name, data):
        return self._noted(super().put, name, data)

    def get(self, name):
        return self._noted(super().get, name)

    def names(self, prefix):
        return self._noted(lambda: iter(list(super(Watched, self).names(prefix))))

    def delete(self, names):
        return self._noted(super().delete, names)


def begun(hub: Site, pieces: int, session: str = ID) -> Uploads:
    uploads = Uploads(hub.engine, Objects.of(hub.place))
    uploads.begin("one", SessionHead(session, None, STARTED, 60))
    for number in range(pieces):
        taken(uploads, number, session)
    return uploads


def taken(uploads: Uploads, number: int, session: str = ID) -> None:
    assert uploads.take("one", session, [Piece.of(number, PIECES[number])]).pieces == number + 1


def ended(uploads: Uploads, pieces: int, session: str = ID) -> Received:
    return uploads.end("one", session, SessionEnd(**end_of(PIECES[:pieces])))


def assert_all_there(hub: Site, pieces: int, session: str = ID) -> None:
    """All that was acknowledged can be ended and read."""
    assert ended(Uploads(hub.engine, Objects.of(hub.place)), pieces, session).is_whole
    whole = read_replay(Path(hub.place) / "sessions" / session / f"{pieces}.pgr")
    assert [e.data for batch in whole for e in batch] == [b"m%d" % k for k in range(pieces)]


@pytest.mark.parametrize("after", [False, True])
def test_a_piece_that_comes_while_its_session_ends_is_kept(hub, after):
    fired = 0
    for moment in MOMENTS:
        session = f"{moment:032x}"
        mine = begun(hub, 3, session)
        work = Watched(hub.place, moment, partial(taken, mine, 3, session), after=after)
        ended(Uploads(hub.engine, work), 3, session)
        if work.asked <= moment:
            break
        fired += 1
        assert_all_there(hub, 4, session)
    assert 3 <= fired < len(MOMENTS), "each moment was tried"


@pytest.mark.parametrize("after", [False, True])
def test_a_piece_that_comes_while_its_session_goes_on_and_ends_again_is_kept(hub, after):
    fired = 0
    for moment in MOMENTS:
        session = f"{moment:032x}"
        mine = begun(hub, 2, session)
        ended(mine, 2, session)
        taken(mine, 2, session)
        work = Watched(hub.place, moment, partial(taken, mine, 3, session), after=after)
        ended(Uploads(hub.engine, work), 3, session)
        if work.asked <= moment:
            break
        fired += 1
        assert_all_there(hub, 4, session)
    assert 2 <= fired < len(MOMENTS), "each moment was tried"


def test_a_piece_that_comes_while_an_end_is_said_again_is_kept(hub):
    for moment in MOMENTS:
        session = f"{moment:032x}"
        mine = begun(hub, 3, session)
        ended(mine, 3, session)
        work = Watched(hub.place, moment, partial(taken, mine, 3, session))
        ended(Uploads(hub.engine, work), 3, session)
        if work.asked <= moment:
            break
        assert_all_there(hub, 4, session)
    assert moment > 0


@pytest.mark.parametrize("after", [False, True])
def test_a_piece_that_comes_while_the_hub_tidies_up_is_kept(hub, after):
    """Of a session that is whole and goes on, and of one that only begins."""
    for moment in MOMENTS:
        whole, fresh = f"{moment:031x}a", f"{moment:031x}b"
        mine = begun(hub, 3, whole)
        ended(mine, 3, whole)
        lying = f"pieces/{whole}/1.{'0' * 64}"
        Objects.of(hub.place).put(lying, b"killed between object and row")

        def come(mine: Uploads = mine, whole: str = whole, fresh: str = fresh) -> None:
            taken(mine, 3, whole)
            begun(hub, 1, fresh)

        work = Watched(hub.place, moment, come, after=after)
        Uploads(hub.engine, work).tidy()
        assert Objects.of(hub.place).get(lying) is None
        if work.asked <= moment:
            break
        assert_all_there(hub, 4, whole)
        assert_all_there(hub, 1, fresh)
    assert 2 <= moment < MOMENTS[-1]


@pytest.mark.parametrize("meanwhile", ["tidy", "end again"])
def test_a_piece_on_its_way_is_kept_whatever_is_tidied_before_it_has_a_row(hub, meanwhile):
    mine = begun(hub, 3)
    ended(mine, 3)
    begun(hub, 0, OTHER)

    def work() -> None:
        if meanwhile == "tidy":
            mine.tidy()
        else:
            ended(mine, 3)

    for session, number in ((OTHER, 0), (ID, 3)):
        taken(Uploads(hub.engine, Watched(hub.place, 0, work, after=True)), number, session)
        assert_all_there(hub, number + 1, session)


def test_one_of_two_that_gave_other_bytes_is_tidied_and_the_other_kept(hub):
    mine = begun(hub, 1)
    loser = f"pieces/{ID}/0.{'0' * 64}"
    Objects.of(hub.place).put(loser, b"was not taken")
    mine.tidy()
    assert Objects.of(hub.place).get(loser) is None
    assert_all_there(hub, 1)


@pytest.mark.parametrize("work", ["end", "tidy"])
def test_pieces_that_come_between_two_questions_to_the_tables_change_no_answer(
    hub, work, monkeypatch
):
    mine = begun(hub, 2)
    on_its_way = f"pieces/{ID}/2.{hashlib.sha256(PIECES[2]).hexdigest()}"
    Objects.of(hub.place).put(on_its_way, PIECES[2])
    asked = rows.found

    def and_then(db: sa.Connection, session_id: str) -> Row | None:
        found = asked(db, session_id)
        monkeypatch.setattr(rows, "found", asked)
        if work == "tidy":
            ended(mine, 2)
        for number in (2, 3, 4):
            taken(mine, number)
        return found

    monkeypatch.setattr(rows, "found", and_then)
    other = Uploads(hub.engine, Objects.of(hub.place))
    if work == "tidy":
        other.tidy()
    else:
        assert not ended(other, 2).is_whole
    assert_all_there(hub, 5)


def test_what_is_kept_beside_the_record_is_what_its_row_says_last(hub):
    """A head that is said while the session goes on and ends must not name a file that is gone."""
    mine = begun(hub, 2)
    ended(mine, 2)

    def go_on() -> None:
        taken(mine, 2)
        ended(mine, 3)

    late = Uploads(hub.engine, Watched(hub.place, 0, go_on))
    late.begin("one", SessionHead(ID, "ab" * 16, STARTED, 60))
    head = Objects.of(hub.place).get(f"sessions/{ID}/head.json")
    assert head is not None and b'"in_replay": 3' in head


def test_an_end_of_fewer_pieces_than_there_are_by_then_is_not_taken(hub):
    mine = begun(hub, 2)
    taken(mine, 2)
    with pytest.raises(OutOfPlace):
        ended(mine, 2)
    assert_all_there(hub, 3)
