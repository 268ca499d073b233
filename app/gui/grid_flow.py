"""The symbol grid over the trace: laid, dragged, fitted to the flips, told to the decoder."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Hashable
from dataclasses import replace
from operator import attrgetter
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal, Slot

from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.decode_flow import DecodeFlow
from app.gui.grid_texts import checked_grid, grid_text
from app.gui.hand_texts import rates_text
from app.gui.messages import Message
from app.gui.trace.api import GridView
from app.gui.trace.area import TraceArea
from app.gui.trace_link import TraceLink
from app.model import edits
from app.model.changes import Change
from app.model.commands import extent_s
from app.model.quantity import format_value

if TYPE_CHECKING:
    from app.model.symbol_grid import SymbolGrid

_CONCERNS = Change.SPANS | Change.CURRENT | Change.CAPTURES | Change.FLIPS | Change.DECODES
_AT_FIRST = 10  # symbols
_NEAR = 0.25  # of the grid's symbol rate: as far as a better one is looked for
_MOST_FLIPS = 2000  # in view; of more, those of the middle do
_NO_GRID = "There is no symbol grid yet: lay one (Marks > Symbol grid)."


class GridFlow(QObject):
    """``told(Message)`` is what the user must know."""

    told = Signal(object)

    def __init__(
        self,
        bridge: DocumentBridge,
        view: ChannelView,
        area: TraceArea,
        link: TraceLink,
        decoding: DecodeFlow,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(parent)
        self._bridge = bridge
        self._view = view
        self._area = area
        self._link = link
        self._decoding = decoding
        bridge.changed.connect(self._follow)
        view.changed.connect(self._show)
        area.grid_shaped.connect(self._shape)

    @property
    def grid(self) -> SymbolGrid | None:
        """That of the capture being looked at."""
        from app.model.symbol_grid import grid_of

        return grid_of(self._bridge.document.data, self._view.index)

    def lay(self) -> None:
        """Over the selected span; else on the burst in mid-view, or the flips in view; else as ten symbols."""
        index = self._view.index
        if index is None:
            return
        start_s, end_s, count = (
            self._over_span() or self._over_burst() or self._over_flips() or self._over_view()
        )
        if self._bridge.run(edits.LayGrid(index, start_s, end_s, count)):
            self._area.setFocus()
            self._area.select_grid()

    def fit(self) -> None:
        """Bring the grid to where the flips want it, as near as it is laid to it."""
        from dsp.hand import GridFit, fit_grid
        from dsp.hand_flips import OFF_GRID

        grid = self.grid
        if grid is None:
            self.told.emit(Message(_NO_GRID))
            return
        reach_s = grid.period_s / 2
        times = self._flips(grid.start_s - reach_s, grid.end_s + reach_s, OFF_GRID * grid.period_s)
        found = fit_grid(times, search_bd=((1 - _NEAR) * grid.rate_bd, (1 + _NEAR) * grid.rate_bd))
        if not isinstance(found, GridFit):
            self.told.emit(Message(f"The grid cannot be fitted: {found.text}."))
            return
        first = round((grid.start_s - found.origin_s) / found.period_s)
        count = max(1, round((grid.end_s - grid.start_s) / found.period_s))
        start_s = found.edge_s(first)
        self._bridge.run(edits.ShapeGrid(grid.key, start_s, start_s + count * found.period_s, count))
        if found.is_ambiguous:
            others = rates_text(found.alternatives_bd) or "others"
            self.told.emit(
                Message(
                    f"The {len(times)} flips do not settle the symbol rate: {others} may be as well.",
                    "caution",
                )
            )

    def remove(self) -> None:
        grid = self.grid
        if grid is None:
            self.told.emit(Message(_NO_GRID))
            return
        self._bridge.run(edits.RemoveGrid(grid.key))

    def tell_decoder(self) -> None:
        """Have every decode from now on be told the grid's symbol rate."""
        grid = self.grid
        if grid is None:
            self.told.emit(Message(_NO_GRID))
            return
        self._decoding.settings = replace(self._decoding.settings, symbol_rate_bd=grid.rate_bd)
        rate = format_value(grid.rate_bd, "Bd")
        self.told.emit(Message(f"Decodes are told {rate} from now on; Decode > Settings… takes it back."))

    # --- where a new grid goes

    def _over_span(self) -> tuple[float, float, int] | None:
        """From end to end, with the symbols that a decode or the flips give it."""
        from app.model.symbol_grid import MOST_SYMBOLS
        from dsp.hand import GridFit, fit_grid

        span_s = self._view.span_s
        if span_s is None:
            return None
        burst = next((one for one in self._view.bursts if one.basis.symbol_rate_bd), None)
        rate_bd = None if burst is None else burst.basis.symbol_rate_bd
        if rate_bd is None:
            found = fit_grid(self._flips(*span_s, 0.0))
            rate_bd = found.rate_bd if isinstance(found, GridFit) else None
        count = _AT_FIRST if rate_bd is None else round((span_s[1] - span_s[0]) * rate_bd)
        return (*span_s, min(max(count, 1), MOST_SYMBOLS))

    def _over_burst(self) -> tuple[float, float, int] | None:
        from app.model.symbol_grid import MOST_SYMBOLS

        start_s, end_s = self._area.visible_range()
        middle_s = (start_s + end_s) / 2
        for one in self._view.bursts:
            basis = one.basis
            if basis.symbol_rate_bd and basis.symbols and basis.start_s <= middle_s < basis.end_s:
                count = min(len(basis.symbols), MOST_SYMBOLS)
                first_s, (low_s, high_s) = basis.first_symbol_s, self._extent()
                length_s = count / basis.symbol_rate_bd
                if low_s <= first_s and first_s + length_s <= high_s:
                    return first_s, first_s + length_s, count
        return None

    def _over_flips(self) -> tuple[float, float, int] | None:
        from app.model.symbol_grid import MOST_SYMBOLS
        from dsp.hand import GridFit, fit_grid

        found = fit_grid(self._flips(*self._area.visible_range(), 0.0)[:_MOST_FLIPS])
        if not isinstance(found, GridFit) or found.is_ambiguous:
            return None
        count = max(found.numbers) - min(found.numbers)
        start_s = found.edge_s(min(found.numbers))
        return (start_s, start_s + count * found.period_s, count) if 1 <= count <= MOST_SYMBOLS else None

    def _over_view(self) -> tuple[float, float, int]:
        (start_s, end_s), (first_s, last_s) = self._area.visible_range(), self._extent()
        start_s, end_s = max(start_s, first_s), min(end_s, last_s)
        quarter_s = (end_s - start_s) / 4
        return start_s + quarter_s, end_s - quarter_s, _AT_FIRST

    def _extent(self) -> tuple[float, float]:
        return extent_s(self._bridge.document.data, self._view.index or 0)

    # --- showing

    def _flips(self, start_s: float, end_s: float, reach_s: float) -> list[float]:
        """Times of the flips that count in a stretch."""
        from dsp.grid_check import flips_that_count

        return flips_that_count(*self._by_origin(start_s, end_s), reach_s)

    def _by_origin(self, start_s: float, end_s: float) -> tuple[list[float], list[float]]:
        """Times of the flips in a stretch: by hand, and automatic ones that are not struck out."""
        flips, when = self._link.flips, attrgetter("time_s")  # in order of time
        within = flips[bisect_left(flips, start_s, key=when) : bisect_right(flips, end_s, key=when)]
        hand = [flip.time_s for flip in within if flip.origin == "hand"]
        return hand, [flip.time_s for flip in within if flip.origin == "auto"]

    @Slot(object)
    def _follow(self, change: Change) -> None:
        if change & _CONCERNS:
            self._show()

    @Slot()
    def _show(self) -> None:
        grid = self.grid
        if grid is None:
            self._area.set_grid(None)
            return
        found = checked_grid(grid, *self._by_origin(grid.start_s - grid.period_s, grid.end_s + grid.period_s))
        text = grid_text(grid, found, self._view.tolerance)
        self._area.set_grid(GridView(grid.start_s, grid.end_s, grid.count, text))

    @Slot(float, float, int, object)
    def _shape(self, start_s: float, end_s: float, count: int, gesture: Hashable) -> None:
        grid = self.grid
        if grid is None or not self._bridge.run(edits.ShapeGrid(grid.key, start_s, end_s, count), gesture):
            self._show()
