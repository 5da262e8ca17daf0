"""The pace: no window of time ever holds more than Telegram lets pass, and no chat waits without need."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from chatkey.channels.telegram.pacing import Limits, Pace

CHATS = (101, 102, 103, -1001, -1002)
EXACT = Limits(spare_s=0.0)


class Clock:
    """Time that passes when it is told to."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def paced(steps: list[tuple[int, float]], limits: Limits = EXACT) -> list[tuple[float, int]]:
    """When each chat was sent to, each as soon as the pace lets it."""
    clock = Clock()
    pace, sent = Pace(clock, limits), []
    for chat, passed in steps:
        clock.now += passed
        clock.now = max(clock.now, pace.due(chat))
        pace.sent(chat)
        sent.append((clock.now, chat))
    return sent


def most_within(times: list[float], seconds: float) -> int:
    """The most of them in any stretch of so many seconds, its end left out."""
    ends = [sum(1 for other in times if at <= other < at + seconds - 1e-9) for at in times]
    return max(ends, default=0)


steps = st.lists(st.tuples(st.sampled_from(CHATS), st.floats(0, 3)), max_size=120)
bursts = st.lists(st.tuples(st.integers(1, 60) | st.integers(-60, -1), st.just(0.0)), min_size=30, max_size=120)


@settings(deadline=None)
@given(steps=steps | bursts)
def test_no_chat_gets_two_within_a_second(steps: list[tuple[int, float]]) -> None:
    sent = paced(steps)
    assert all(most_within([at for at, to in sent if to == chat], 1.0) <= 1 for chat in {to for _, to in sent})


@settings(deadline=None)
@given(steps=st.lists(st.tuples(st.sampled_from((-1001, -1002)), st.floats(0, 2)), max_size=120))
def test_no_group_gets_more_than_twenty_within_a_minute(steps: list[tuple[int, float]]) -> None:
    sent = paced(steps)
    assert all(most_within([at for at, to in sent if to == chat], 60.0) <= 20 for chat in (-1001, -1002))


@settings(deadline=None)
@given(steps=steps | bursts)
def test_no_more_than_thirty_leave_within_a_second(steps: list[tuple[int, float]]) -> None:
    assert most_within([at for at, _ in paced(steps)], 1.0) <= 30


@settings(deadline=None)
@given(steps=steps)
def test_a_chat_waits_no_longer_than_the_limits_ask(steps: list[tuple[int, float]]) -> None:
    clock = Clock()
    pace, sent = Pace(clock, EXACT), list[tuple[float, int]]()
    for chat, passed in steps:
        clock.now += passed
        due = pace.due(chat)
        if due > clock.now:  # one more right before it is due would be too many
            times = [at for at, _ in sent]
            own = [at for at, to in sent if to == chat]
            early = due - 1e-6
            assert (
                most_within([*own, early], 1.0) > 1
                or (chat < 0 and most_within([*own, early], 60.0) > 20)
                or most_within([*times, early], 1.0) > 30
            )
        clock.now = due
        pace.sent(chat)
        sent.append((due, chat))


def test_a_private_chat_may_get_more_than_twenty_a_minute() -> None:
    times = [at for at, _ in paced([(101, 0.0)] * 25)]
    assert times[-1] - times[0] == 24.0


def test_a_group_that_had_twenty_waits_for_the_minute_to_end() -> None:
    times = [at for at, _ in paced([(-1001, 0.0)] * 21)]
    assert times[20] - times[0] == 60.0


def test_there_is_a_little_to_spare_for_a_way_that_grows_shorter() -> None:
    times = [at for at, _ in paced([(101, 0.0)] * 2, Limits())]
    assert times == [1000.0, 1001.05]


def test_a_chat_that_was_told_to_wait_waits_and_others_do_not() -> None:
    clock = Clock()
    pace = Pace(clock)
    pace.hold(-1001, 35)
    pace.hold(-1001, 5)
    assert (pace.wait(-1001), pace.wait(-1002)) == (35, 0)
    clock.now += 35
    assert pace.wait(-1001) == 0


def test_where_all_are_held_all_wait() -> None:
    clock = Clock()
    pace = Pace(clock)
    pace.hold_all(4)
    assert pace.wait(101) == 4
    clock.now += 4
    assert pace.wait(101) == 0


@settings(deadline=None, max_examples=20)
@given(chats=st.lists(st.integers(1, 10**9), min_size=300, max_size=600, unique=True))
def test_chats_that_are_quiet_are_forgotten(chats: list[int]) -> None:
    clock = Clock()
    pace = Pace(clock)
    for chat in chats:
        clock.now = max(clock.now + 1.0, pace.due(chat))
        pace.sent(chat)
        pace.hold(chat, 20)
        assert pace.remembered <= 62


def test_at_full_pace_no_more_chats_are_kept_than_a_minute_holds() -> None:
    clock = Clock()
    pace = Pace(clock)
    for chat in range(1, 6001):
        clock.now = pace.due(chat)
        pace.sent(chat)
        assert pace.remembered <= 30 * 61


def test_what_went_out_before_a_restart_counts_and_one_more_for_each_group() -> None:
    clock = Clock()
    pace = Pace(clock, EXACT)
    pace.recall([(-1001, 40.0 - n) for n in range(19)] + [(101, 0.2)])
    assert pace.wait(101) == 1.0  # nobody is sent to in the first second
    clock.now += 1.0
    assert pace.wait(101) == 0.0
    assert pace.wait(-1001) == 60.0 - 40.0 - 1.0  # nineteen were written down, and one may not have been
    assert pace.wait(-1002) == 0.0


def test_a_group_keeps_half_of_its_minute_for_replies() -> None:
    clock = Clock()
    pace = Pace(clock, EXACT)
    for _ in range(10):
        assert pace.has_room(-1001)
        pace.sent(-1001)
        clock.now += 1.0
    assert not pace.has_room(-1001)
    assert pace.has_room(-1002)
    assert pace.has_room(101)
    clock.now += 60.0
    assert pace.has_room(-1001)
