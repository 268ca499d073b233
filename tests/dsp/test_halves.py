"""Work on many items in a second process, where that is safe."""

from __future__ import annotations

import os
import threading
import time

import numpy as np
import pytest

from dsp import halves
from dsp.errors import CancelledError
from dsp.halves import in_halves
from dsp.source import Watch

ITEMS = list(range(7))
linux_with_two = pytest.mark.skipif(
    not hasattr(os, "sched_getaffinity") or len(os.sched_getaffinity(0)) < 2,
    reason="needs Linux and two processors",
)


def by_whom(item):
    return item, os.getpid()


def slowly(item):
    """Long enough for two processes to take turns."""
    time.sleep(0.05)
    return item, os.getpid()


@pytest.fixture
def alone(monkeypatch):
    """As in a process with one thread; the test runner has some of its own, none of which holds a lock here."""
    monkeypatch.setattr(halves.threading, "active_count", lambda: 1)


@linux_with_two
@pytest.mark.usefixtures("alone")
def test_a_child_does_what_it_is_free_for():
    results = list(in_halves(slowly, ITEMS, True, Watch()))
    assert [item for item, _ in results] == ITEMS
    assert len({process for _, process in results}) == 2


@linux_with_two
@pytest.mark.usefixtures("alone")
def test_who_is_slow_does_less():
    here = os.getpid()

    def slow_here(item):
        time.sleep(0.4 if os.getpid() == here else 0.02)
        return item, os.getpid()

    results = list(in_halves(slow_here, ITEMS, True, Watch()))
    assert [item for item, _ in results] == ITEMS
    assert [process for _, process in results].count(here) < 3


@linux_with_two
@pytest.mark.usefixtures("alone")
def test_more_items_than_turns_fit_into_a_pipe():
    many = range(50_000)
    assert list(in_halves(lambda item: -item, many, True, Watch())) == [-item for item in many]


@pytest.mark.usefixtures("alone")
def test_an_open_file_is_not_shared():
    assert {process for _, process in in_halves(by_whom, ITEMS, False, Watch())} == {os.getpid()}


def test_no_child_beside_another_thread():
    over = threading.Event()
    other = threading.Thread(target=over.wait)
    other.start()
    try:
        results = list(in_halves(by_whom, ITEMS, True, Watch()))
    finally:
        over.set()
        other.join()
    assert [item for item, _ in results] == ITEMS
    assert {process for _, process in results} == {os.getpid()}


@linux_with_two
@pytest.mark.usefixtures("alone")
def test_what_a_child_cannot_do_is_done_here():
    here = os.getpid()

    def only_here(item):
        if os.getpid() != here:
            os._exit(7)
        return item

    assert list(in_halves(only_here, ITEMS, True, Watch())) == ITEMS


@linux_with_two
@pytest.mark.usefixtures("alone")
def test_more_than_a_pipe_holds_comes_through():
    large = list(in_halves(lambda item: np.full(200_000, item), ITEMS, True, Watch()))
    assert [int(values[-1]) for values in large] == ITEMS


@linux_with_two
@pytest.mark.usefixtures("alone")
def test_cancelling_ends_the_child(monkeypatch):
    children = []
    fork = os.fork

    def counted():
        children.append(fork())
        return children[-1]

    monkeypatch.setattr(os, "fork", counted)
    with pytest.raises(CancelledError):
        list(in_halves(by_whom, ITEMS, True, Watch(None, lambda: True)))
    assert len(children) == 1
    with pytest.raises(ChildProcessError):
        os.waitpid(children[0], 0)


@linux_with_two
@pytest.mark.usefixtures("alone")
def test_without_room_for_a_second_process_all_is_done_here(monkeypatch):
    def refused():
        raise BlockingIOError("no process left")

    monkeypatch.setattr(os, "fork", refused)
    results = list(in_halves(by_whom, ITEMS, True, Watch()))
    assert [item for item, _ in results] == ITEMS
    assert {process for _, process in results} == {os.getpid()}


@linux_with_two
@pytest.mark.usefixtures("alone")
def test_another_c_library_keeps_its_memory(monkeypatch):
    """Giving free memory back is asked only of a library that knows how."""
    import ctypes

    class Plain:
        pass

    def none(name):
        raise OSError("no such library")

    for library in (lambda name: Plain(), none):
        monkeypatch.setattr(ctypes, "CDLL", library)
        assert len({process for _, process in in_halves(slowly, ITEMS, True, Watch())}) == 2
