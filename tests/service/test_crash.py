"""Killed at random points and started again: nothing is lost, nothing is told differently."""

import pytest
from crashing import crash, talks
from databases import DATABASES, fresh_url
from gateway import gateway
from serving import served


@pytest.mark.parametrize("database", DATABASES)
def test_a_process_that_is_killed_twice_answers_every_message_as_if_nothing_had_been(database, tmp_path):
    said = talks(n_conversations=30, n_messages=6, seed=1)
    with gateway() as ours, served(tmp_path, fresh_url(database, tmp_path), ours.url) as server:
        report = crash(server, ours, said, kills=2, seed=2)
    assert (report.not_kept, report.not_done, report.unanswered, report.unsent) == (0, 0, 0, 0)
    assert report.different == 0, report.notes
    assert report.doubled <= report.kills
    assert report.handed > 0  # some asked for a person: their trees stand in the queue
