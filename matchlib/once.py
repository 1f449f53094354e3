"""Results that are worked out once for a frozen object, and forgotten with it."""

from collections.abc import Callable
from functools import wraps
from typing import TypeVar
from weakref import WeakKeyDictionary

Thing = TypeVar("Thing")
Result = TypeVar("Result")


def once(function: Callable[[Thing], Result]) -> Callable[[Thing], Result]:
    """Return a pure function of one object that is the same by identity, so that it works once for each.

    What it returned lives as long as the object does.
    """
    known: WeakKeyDictionary[Thing, Result] = WeakKeyDictionary()

    @wraps(function)
    def found(thing: Thing) -> Result:
        if thing not in known:
            known[thing] = function(thing)
        return known[thing]

    return found
