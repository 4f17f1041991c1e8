# SPDX-License-Identifier: GPL-3.0-or-later
"""Frames side by side: the order, the bound, errors and cancellation."""

import threading
import time

import pytest
from beamwright.core import ahead
from beamwright.core.ahead import WAITING, Stage, through


@pytest.fixture(autouse=True)
def any_work_is_worth_a_thread(monkeypatch):
    monkeypatch.setattr(ahead, "WORTH_S", 0.0)


@pytest.mark.parametrize("threads", [0, 1, 2, 5])
def test_results_come_in_order_and_stages_in_order_keep_theirs(threads):
    seen, made = [], []

    def items():
        for number in range(40):
            made.append(threading.get_ident())
            yield number

    def slow(number):
        time.sleep(0.002 if number % 3 == 0 else 0.0)
        return number

    def remember(number):
        seen.append(number)
        return number, len(seen)

    stages = [Stage(slow), Stage(remember, in_order=True), Stage(slow_pair)]
    results = list(through(items(), stages, threads))
    assert results == [(number, number + 1) for number in range(40)]
    assert seen == list(range(40))
    assert set(made) == {threading.get_ident()}


def slow_pair(pair):
    time.sleep(0.001 if pair[0] % 2 else 0.0)
    return pair


def test_no_more_items_are_made_than_there_is_room_for():
    made = []

    def items():
        for number in range(50):
            made.append(number)
            yield number

    walk = through(items(), [Stage(lambda number: number)], 2)
    for number in range(50):
        assert next(walk) == number
        assert len(made) <= number + 1 + 2 + WAITING
    assert next(walk, None) is None


@pytest.mark.parametrize("threads", [0, 2])
@pytest.mark.parametrize("where", ["items", "free", "ordered"])
def test_an_error_comes_after_the_results_before_it(threads, where):
    planned = []

    def failing(name):
        def run(number):
            if where == name and number == 7:
                raise ValueError("frame 7")
            time.sleep(0.001)
            return number

        return run

    def items():
        for number in range(30):
            yield failing("items")(number)

    def plan(number):
        planned.append(failing("ordered")(number))
        return number

    results = []
    stages = [Stage(failing("free")), Stage(plan, in_order=True)]
    with pytest.raises(ValueError, match="frame 7"):
        results.extend(through(items(), stages, threads))
    assert results == list(range(7))
    assert planned == list(range(7))


def test_closing_stops_the_workers_and_the_items():
    running, closed = threading.active_count(), []

    def items():
        try:
            yield from range(1000)
        finally:
            closed.append(True)

    source = items()
    walk = through(source, [Stage(lambda number: number, in_order=True)], 3)
    assert next(walk) == 0
    walk.close()
    source.close()
    assert closed == [True]
    assert threading.active_count() == running


def test_threads_are_used_only_where_the_work_is_worth_it(monkeypatch):
    monkeypatch.setattr(ahead, "WORTH_S", 0.02)

    def work(number):
        if number >= 5:
            time.sleep(0.025)
        return threading.get_ident()

    workers = list(through(range(10), [Stage(work)], 2))
    own = threading.get_ident()
    assert workers[:7] == [own] * 7
    assert own not in workers[7:]
