"""Whole pictures of an interlaced film: each of its pictures is two fields, half the lines at two instants."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any


class Fields:
    """Turns frames of two fields into whole ones, one for each, at the instant of its first field; others go through.

    The codec library's filter "bwdif" keeps the lines of the first field and makes those between from the fields around
    it, as far as nothing moves there (its documentation: motion adaptive, after Weston's three-field filter). It is one
    frame late, so the last comes at the end.
    """

    def __init__(self) -> None:
        self._graph: Any = None

    def whole(self, frames: Iterable[Any], *, last: bool = False) -> Iterator[Any]:
        """Yield the frames as far as they are made. last: no more will come."""
        for frame in frames:
            if self._graph is None and not frame.interlaced_frame:
                yield frame
                continue
            if self._graph is None:
                self._graph = _graph(frame)
            self._graph.push(frame)
            yield from self._made()
        if last and self._graph is not None:
            self._graph.push(None)
            yield from self._made()
            self._graph = None

    def _made(self) -> Iterator[Any]:
        import av

        while True:
            try:
                yield self._graph.pull()
            except (av.error.BlockingIOError, av.error.EOFError):
                return


def _graph(frame: Any) -> Any:
    import av

    graph = av.filter.Graph()
    begin = graph.add_buffer(
        width=frame.width, height=frame.height, format=frame.format.name, time_base=frame.time_base
    )
    whole, end = graph.add("bwdif", "mode=send_frame:deint=interlaced"), graph.add("buffersink")
    begin.link_to(whole)
    whole.link_to(end)
    graph.configure()
    return graph
