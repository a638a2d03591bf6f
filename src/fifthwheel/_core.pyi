from typing import Annotated, Any

import numpy
from numpy.typing import NDArray

core_version: int = 1

motion_states: int = 24

motion_wandering: int = 13

motion_stride: int = 24

motion_segment: int = 48

motion_quantities: int = 10

def motion_forward(
    arg0: dict[str, Any],
    arg1: dict[str, Any],
    arg2: dict[str, Any],
    arg3: dict[str, Any],
    arg4: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg5: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    /,
) -> dict[str, Any]: ...
def motion_backward(
    arg0: dict[str, Any],
    arg1: dict[str, Any],
    arg2: dict[str, Any],
    arg3: dict[str, Any],
    arg4: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg5: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg6: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg7: Annotated[NDArray[numpy.float32], {"order": "C", "device": "cpu"}],
    arg8: int,
    /,
) -> None: ...

motion_quick: int = 3

motion_slow: int = 9

motion_draw_quantities: int = 7

def motion_draw(
    arg0: dict[str, Any],
    arg1: dict[str, Any],
    arg2: dict[str, Any],
    arg3: dict[str, Any],
    arg4: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg5: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg6: int,
    arg7: int,
    arg8: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg9: Annotated[NDArray[numpy.float32], {"order": "C", "device": "cpu"}],
    arg10: Annotated[NDArray[numpy.float32], {"order": "C", "device": "cpu"}],
    arg11: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg12: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    /,
) -> None: ...
def smooth_linear(
    arg0: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu", "writable": False}],
    arg1: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu", "writable": False}],
    arg2: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu", "writable": False}],
    arg3: float,
    arg4: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu", "writable": False}],
    arg5: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu", "writable": False}],
    arg6: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu", "writable": False}],
    arg7: bool,
    arg8: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg9: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg10: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg11: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg12: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    /,
) -> None: ...
def unwrap_angle(
    arg0: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu", "writable": False}],
    arg1: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg2: float,
    /,
) -> None: ...
def unwrap_angle_aided(
    arg0: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu", "writable": False}],
    arg1: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu", "writable": False}],
    arg2: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu", "writable": False}],
    arg3: Annotated[NDArray[numpy.float64], {"order": "C", "device": "cpu"}],
    arg4: float,
    /,
) -> None: ...
def card_index(
    arg0: Annotated[NDArray[numpy.uint8], {"shape": (None,), "order": "C", "device": "cpu", "writable": False}],
    arg1: int,
    arg2: Annotated[NDArray[numpy.int16], {"order": "C", "device": "cpu", "writable": False}],
    arg3: Annotated[NDArray[numpy.uint16], {"order": "C", "device": "cpu", "writable": False}],
    arg4: int,
    /,
) -> tuple[bytes, int, bytes]: ...
def card_count(
    arg0: Annotated[NDArray[numpy.uint8], {"shape": (None,), "order": "C", "device": "cpu", "writable": False}],
    arg1: Annotated[NDArray[numpy.uint64], {"order": "C", "device": "cpu", "writable": False}],
    arg2: Annotated[NDArray[numpy.int16], {"order": "C", "device": "cpu", "writable": False}],
    arg3: Annotated[NDArray[numpy.uint16], {"order": "C", "device": "cpu", "writable": False}],
    arg4: Annotated[NDArray[numpy.uint32], {"order": "C", "device": "cpu"}],
    arg5: Annotated[NDArray[numpy.uint8], {"order": "C", "device": "cpu"}],
    /,
) -> None: ...
def card_decode(
    arg0: Annotated[NDArray[numpy.uint8], {"shape": (None,), "order": "C", "device": "cpu", "writable": False}],
    arg1: Annotated[NDArray[numpy.uint64], {"order": "C", "device": "cpu", "writable": False}],
    arg2: Annotated[NDArray[numpy.int16], {"order": "C", "device": "cpu", "writable": False}],
    arg3: Annotated[NDArray[numpy.uint16], {"order": "C", "device": "cpu", "writable": False}],
    arg4: Annotated[NDArray[numpy.uint32], {"order": "C", "device": "cpu", "writable": False}],
    arg5: list[Any],
    /,
) -> None: ...
def card_crc32(
    arg: Annotated[NDArray[numpy.uint8], {"shape": (None,), "order": "C", "device": "cpu", "writable": False}], /
) -> int: ...

card_folds: bool

def link_scan(
    arg: Annotated[NDArray[numpy.uint8], {"shape": (None,), "order": "C", "device": "cpu", "writable": False}], /
) -> dict[str, Any]: ...
def cobs_encode(arg: bytes, /) -> bytes: ...
def cobs_decode(arg: bytes, /) -> bytes: ...

film_whole: int = 256

def film_tint(
    arg0: NDArray[numpy.uint16],
    arg1: NDArray[Any],
    arg2: NDArray[numpy.uint8],
    arg3: NDArray[numpy.uint16],
    arg4: int,
    /,
) -> None: ...
def film_gather(arg0: NDArray[Any], arg1: NDArray[Any], arg2: int, arg3: int, arg4: bool, /) -> None: ...
def film_blend(arg0: NDArray[Any], arg1: NDArray[Any], arg2: NDArray[numpy.uint16], /) -> None: ...
def film_straight(arg0: NDArray[Any], arg1: NDArray[Any], arg2: NDArray[numpy.uint16], arg3: int, /) -> None: ...
def film_opacity(arg0: NDArray[Any], arg1: NDArray[numpy.uint16], arg2: int, /) -> None: ...
