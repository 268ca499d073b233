# ruff: noqa: PLC0414
"""Commands of the session by name, each module of them imported with its first use.

A command is needed when something is changed, not when the window opens, and making its classes takes time.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from app.model.commands_bursts import (
        ExcludeBursts as ExcludeBursts,
    )
    from app.model.commands_bursts import (
        RenameBurst as RenameBurst,
    )
    from app.model.commands_bursts import (
        TurnSymbol as TurnSymbol,
    )
    from app.model.commands_captures import (
        CloseCapture as CloseCapture,
    )
    from app.model.commands_captures import (
        DescribeCapture as DescribeCapture,
    )
    from app.model.commands_captures import (
        OpenCapture as OpenCapture,
    )
    from app.model.commands_captures import (
        position_of as position_of,
    )
    from app.model.commands_captures import (
        warned as warned,
    )
    from app.model.commands_captures import (
        with_own_spans as with_own_spans,
    )
    from app.model.commands_channels import (
        AddDerived as AddDerived,
    )
    from app.model.commands_channels import (
        DescribeChannel as DescribeChannel,
    )
    from app.model.commands_channels import (
        RemoveDerived as RemoveDerived,
    )
    from app.model.commands_decodes import (
        AddDecode as AddDecode,
    )
    from app.model.commands_decodes import (
        ClearDecodes as ClearDecodes,
    )
    from app.model.commands_flips import (
        ClearHandFlips as ClearHandFlips,
    )
    from app.model.commands_flips import (
        DeleteAutoFlip as DeleteAutoFlip,
    )
    from app.model.commands_flips import (
        DeleteHandFlip as DeleteHandFlip,
    )
    from app.model.commands_flips import (
        MoveAutoFlip as MoveAutoFlip,
    )
    from app.model.commands_flips import (
        MoveHandFlip as MoveHandFlip,
    )
    from app.model.commands_flips import (
        PlaceFlip as PlaceFlip,
    )
    from app.model.commands_looks import (
        ScaleChannels as ScaleChannels,
    )
    from app.model.commands_looks import (
        SetLevel as SetLevel,
    )
    from app.model.commands_looks import (
        ShowChannel as ShowChannel,
    )
    from app.model.commands_looks import (
        looks_of as looks_of,
    )
    from app.model.commands_marks import (
        AddCursor as AddCursor,
    )
    from app.model.commands_marks import (
        AddNote as AddNote,
    )
    from app.model.commands_marks import (
        EditNote as EditNote,
    )
    from app.model.commands_marks import (
        KeepSpan as KeepSpan,
    )
    from app.model.commands_marks import (
        MoveCursor as MoveCursor,
    )
    from app.model.commands_marks import (
        MoveCursors as MoveCursors,
    )
    from app.model.commands_marks import (
        RemoveCursor as RemoveCursor,
    )
    from app.model.commands_marks import (
        RemoveNote as RemoveNote,
    )
    from app.model.commands_marks import (
        RemoveSpan as RemoveSpan,
    )
    from app.model.commands_marks import (
        RenameCursor as RenameCursor,
    )
    from app.model.commands_pins import (
        KeepReadings as KeepReadings,
    )
    from app.model.commands_pins import (
        RemovePins as RemovePins,
    )
    from app.model.commands_pins import (
        RenamePin as RenamePin,
    )
    from app.model.symbol_grid import (
        LayGrid as LayGrid,
    )
    from app.model.symbol_grid import (
        RemoveGrid as RemoveGrid,
    )
    from app.model.symbol_grid import (
        ShapeGrid as ShapeGrid,
    )

_OF_MODULE = {
    "app.model.commands_bursts": "ExcludeBursts RenameBurst TurnSymbol",
    "app.model.commands_captures": "CloseCapture DescribeCapture OpenCapture position_of warned with_own_spans",
    "app.model.commands_channels": "AddDerived DescribeChannel RemoveDerived",
    "app.model.commands_decodes": "AddDecode ClearDecodes",
    "app.model.commands_flips": "ClearHandFlips DeleteAutoFlip DeleteHandFlip "
    "MoveAutoFlip MoveHandFlip PlaceFlip",
    "app.model.commands_looks": "ScaleChannels SetLevel ShowChannel looks_of",
    "app.model.commands_marks": "AddCursor AddNote EditNote KeepSpan MoveCursor "
    "MoveCursors RemoveCursor RemoveNote RemoveSpan RenameCursor",
    "app.model.commands_pins": "KeepReadings RemovePins RenamePin",
    "app.model.symbol_grid": "LayGrid RemoveGrid ShapeGrid",
}
_MODULE_OF = {name: module for module, names in _OF_MODULE.items() for name in names.split()}


def __getattr__(name: str) -> Any:
    if name not in _MODULE_OF:
        raise AttributeError(f"there is no command {name}")
    found = globals()[name] = getattr(import_module(_MODULE_OF[name]), name)
    return found
