"""The same work in this process and in several: order, what is given once, errors, a process that dies."""

import os

import pytest

from matchlib.errors import InputError, Problem, ReportError
from matchlib.running.processes import each, usable_cores

_GIVEN = []


def keep(*given):
    _GIVEN[:] = given


def told(thing):
    return f"{_GIVEN[0]} {thing}", os.getpid()


def refuse(thing):
    if thing == 2:
        raise InputError(Problem("two is wrong", "take another", "numbers.csv", 2, "n"))
    return thing


def die(thing):
    os._exit(7 + thing)


@pytest.mark.parametrize("workers", [1, 2])
def test_results_come_in_order_and_each_process_is_given_the_same(workers):
    found = list(each(told, range(6), workers, keep, ("room",)))
    assert [text for text, _ in found] == [f"room {number}" for number in range(6)]
    assert (os.getpid() in {process for _, process in found}) == (workers == 1)


def test_one_thing_needs_no_other_process():
    ((text, process),) = each(told, ["alone"], 4, keep, ("room",))
    assert (text, process) == ("room alone", os.getpid())
    assert list(each(told, [], 4, keep, ("room",))) == []


@pytest.mark.parametrize("workers", [1, 2])
def test_an_error_arrives_whole(workers):
    with pytest.raises(InputError) as caught:
        list(each(refuse, [1, 2, 3], workers))
    assert str(caught.value) == "numbers.csv, line 2, column n: two is wrong; take another"


def test_a_process_that_dies_is_told():
    with pytest.raises(ReportError, match="a worker process died; run again"):
        list(each(die, [1, 2], 2))


def test_cores_are_at_least_one():
    assert usable_cores() >= 1
