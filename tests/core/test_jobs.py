# SPDX-License-Identifier: GPL-3.0-or-later
"""What waits for what, and who does it."""

import pytest
from beamwright.core.errors import OutputError
from beamwright.core.show import jobs
from beamwright.core.show.jobs import AutomaticRunner, Graph
from beamwright.core.show.work import MissingEntry, Placed, PlanBlock, SeeFrames


def see(*keys):
    return SeeFrames("Harbour", None, tuple(range(len(keys))), keys)


def block(key, *needs):
    frames = tuple(((Placed(need, 1.0, (), ""),),) for need in needs)
    return PlanBlock(key, ("Pictures",), frames)


def run(graph, makers=None, missing=()):
    """Take everything; say once of each block in `missing` that its entries are gone."""
    order, missing = [], set(missing)
    while graph:
        number, task = graph.take()
        if isinstance(task, PlanBlock) and task.key in missing:
            missing.discard(task.key)
            graph.miss(number, MissingEntry(list(task.needs())), makers)
            continue
        order.append(task)
        graph.finish(number)
    return order


def test_a_block_comes_as_soon_as_its_strokes_are_there():
    first, second, third = see("a", "b"), see("c"), see("d")
    one, two = block("1", "a", "c"), block("2", "d", "old")
    order = run(Graph([first, second, third, one, two]))
    assert order == [first, second, one, third, two]


def test_what_is_missing_is_made_again_after_others_are_done():
    """Tasks that are added late take no number of a task that still waits."""
    first, second = see("a"), see("b")
    one, two, three = block("1", "a"), block("2", "x", "y"), block("3", "z")
    makers = {key: see(key) for key in "xyz"}
    order = run(Graph([first, second, one, two, three]), makers, missing=("2", "3"))
    assert sorted(order, key=repr) == sorted(
        [first, second, one, two, three, *makers.values()], key=repr
    )
    for task, needs in ((two, "xy"), (three, "z")):
        assert all(order.index(makers[key]) < order.index(task) for key in needs)


def test_entries_that_vanish_again_and_again():
    graph = Graph([block("1", "a")])
    makers = {"a": see("a")}
    for _ in range(jobs.ATTEMPTS - 1):
        number, _ = graph.take()
        graph.miss(number, MissingEntry(["a"]), makers)
        number, task = graph.take()
        assert task == makers["a"]
        graph.finish(number)
    number, _ = graph.take()
    with pytest.raises(OutputError, match="vanished or were damaged"):
        graph.miss(number, MissingEntry(["a"]), makers)


@pytest.mark.parametrize(("frames", "several"), [(599, False), (600, True)])
def test_only_much_work_starts_processes(monkeypatch, frames, several):
    asked = []

    class Runner:
        def __init__(self, *_):
            pass

        def run(self, graph, *_):
            asked.append(type(self).__name__)
            yield graph.total

    class Several(Runner):
        pass

    monkeypatch.setattr(jobs, "SerialRunner", Runner)
    graph = Graph([see(*map(str, range(frames)))])
    assert list(AutomaticRunner(None, Several).run(graph, None, {})) == [frames]
    assert list(AutomaticRunner(None, None).run(graph, None, {})) == [frames]
    assert asked == ["Several" if several else "Runner", "Runner"]
