"""Ticks of a figure worked out once a size and not anew by everybody who asks, while the figure stands still.

Laying out and drawing a figure asks each axis some ten times which ticks it has and how large their labels are; working that
out is more than half of the time that a figure takes. Between two calls nothing changes but the size of the axes, so an
answer holds as long as size, limits and resolution are those that it was worked out for. The picture is the same to the byte
(``tests/unit/test_still_ticks.py``).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_TICKS, _BOXES = "_update_ticks", "_get_ticklabel_bboxes"
"""Methods of matplotlib's axis that are asked for; where a release has them no more, nothing is held."""


@contextmanager
def still_ticks(figure: Figure) -> Iterator[None]:
    """Inside the block nothing of the figure may be changed but the places of its axes."""
    held = [
        axis
        for axes in figure.axes
        for axis in (axes.xaxis, axes.yaxis)
        if callable(getattr(axis, _TICKS, None)) and callable(getattr(axis, _BOXES, None))
    ]
    for axis in held:
        _hold(axis, figure)
    try:
        yield
    finally:
        for axis in held:
            for name in (_TICKS, _BOXES):
                vars(axis).pop(name, None)


def _hold(axis: Any, figure: Figure) -> None:
    find_ticks, find_boxes = getattr(axis, _TICKS), getattr(axis, _BOXES)
    box = axis.axes.bbox
    of_ticks: Any = None
    room: Any = None
    ticks: Any = None
    of_boxes: Any = None
    boxes: Any = None

    def now() -> Any:
        return tuple(axis.get_view_interval()), box.width, box.height, figure.dpi

    def held_ticks() -> Any:
        """Ticks and their texts hang on the limits and on how many ticks there is room for."""
        nonlocal of_ticks, room, ticks
        key = now()
        if key != of_ticks:
            same = of_ticks is not None and key[0] == of_ticks[0] and axis.get_tick_space() == room
            if not same:
                ticks = find_ticks()
                room = axis.get_tick_space()
            of_ticks = now()  # not the key: the first look at the ticks may settle the limits
        return ticks

    def held_boxes(asked: Any, renderer: Any) -> Any:
        nonlocal of_boxes, boxes
        if asked is not ticks:
            return find_boxes(asked, renderer)
        key = of_ticks, box.bounds, figure.dpi, renderer
        if key != of_boxes:
            boxes, of_boxes = find_boxes(asked, renderer), key
        return boxes

    setattr(axis, _TICKS, held_ticks)
    setattr(axis, _BOXES, held_boxes)
