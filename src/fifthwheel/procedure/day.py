"""The order of the day: what must be calm, warm or fresh comes when it is; two setups are driven interleaved."""

from __future__ import annotations

from collections.abc import Sequence

from fifthwheel.car.model import Car
from fifthwheel.procedure.plan import Block, Step


def interleaved(rounds: int) -> tuple[int, ...]:
    """Return the order of two setups over `rounds` rounds of four: 1 2 2 1, 1 2 2 1, ... (A B B A).

    A drift that is linear in time (pack, tyres, sun) shifts both setups alike within each round.
    """
    return (1, 2, 2, 1) * rounds


def order_of(blocks: Sequence[Block], car: Car) -> tuple[Step, ...]:
    """Return the steps of the day for the planned kinds of run."""
    kinds = {block.kind: block for block in blocks}
    turning = [kinds[kind] for kind in ("steady circle", "step steer") if kind in kinds]
    steps = [_arrive(), _calibrate(car, bool(turning)), _warm_up()]
    if "coast-down" in kinds:
        steps.append(_coasting(kinds["coast-down"]))
    fast = [kinds[kind] for kind in ("launch", "speed pass", "braking") if kind in kinds]
    if fast:
        steps.append(_straight(fast))
    if turning:
        how = tuple(line for block in turning for line in block.how)
        steps.append(Step("Cornering, last: it wears the tyres", how, _ticks(turning)))
    return (*steps, _setups(), _leave())


def _coasting(block: Block) -> Step:
    notes = (
        "First thing in the morning or in the evening; stop when the wind rises.",
        "Bearings and tyres warm from ten minutes of driving; SAE J2263 asks road cars for thirty (from memory).",
        *block.how,
    )
    return Step("Coast-downs, while it is calm", notes, _ticks([block]))


def _straight(fast: Sequence[Block]) -> Step:
    one = "One trip down the strip may hold a launch, a speed pass and a braking; each counts by itself."
    notes = (
        *([one] if len(fast) > 1 else []),
        "Directions alternate: A, B, A, B; the same rest between runs.",
        "Pack between 90 % and 40 % of its charge for every counted run; note it. Fresh pack: begin again with "
        "a trip that does not count.",
        *(line for block in fast for line in block.how),
    )
    names = [_plural(block.kind) for block in fast]
    title = " and ".join(filter(None, (", ".join(names[:-1]), names[-1]))).capitalize()
    return Step(title, notes, _ticks(fast))


def _ticks(blocks: Sequence[Block]) -> tuple[str, ...]:
    """Return one line for each run, directions alternating."""
    return tuple(
        f"{block.kind} {number}: {side if len(side) > 1 else 'direction ' + side}"
        for block in blocks
        for number in range(1, block.each + 1)
        for side in block.directions
    )


def _plural(kind: str) -> str:
    return {"launch": "launches", "speed pass": "speed passes", "braking": "brakings"}.get(kind, kind + "s")


def _arrive() -> Step:
    ticks = (
        "Ground and run-off walked and swept; marks set out, and a place from which the driver sees it all.",
        "Safety list above: every line.",
        "Car weighed as it will run, pack and body on; tyres, gear, pack and everything that was changed noted.",
        "Logger on, card empty; ten metres driven and the log read once, before the day is spent.",
    )
    return Step("On arrival", (), ticks)


def _calibrate(car: Car, turning: bool) -> Step:
    notes = ("Mark each of these in session.toml by its kind (in quotes), and `measure` finds what it gives.",)
    ticks = [
        "Stood still on level ground for 60 s with everything switched on (biases).",
        "'taped distance': rolled by hand along 10 m of tape from rest to rest, both ways, loaded as it runs (radius).",
    ]
    if car.inertial is not None:
        ticks.append("'turns on the spot': five whole turns one way, five back, still for 2 s before and after (gyro).")
        ticks.append("'rest positions', once a season: held still on each of its six sides (inertial sensor).")
    if turning:
        ticks.append("'steer sweep': at walking pace, steering swept slowly from lock to lock for 10 s (steer angle).")
    ticks.append("Air temperature, pressure, humidity, wind and where it comes from noted in session.toml.")
    return Step("Calibration", notes, tuple(ticks))


def _warm_up() -> Step:
    ticks = (
        "Ten minutes at half speed; brakes tried; first look at the temperatures.",
        "Pack, motor and tyre temperature noted; they no longer change between trips.",
    )
    return Step("Warm-up", (), ticks)


def _setups() -> Step:
    notes = (
        "Interleave them, A B B A: setup 1, setup 2, setup 2, setup 1, and again; never all of one first.",
        "A pack that tires or a sun that warms the ground then shifts both alike. Each setup gets a session of "
        "its own; `fifthwheel compare` shows the difference with its interval.",
    )
    rounds = " ".join(str(setup) for setup in interleaved(2))
    return Step("If two setups are compared today", notes, (f"Setups driven in the order {rounds}.",))


def _leave() -> Step:
    ticks = (
        "Stood still for 60 s once more; the first run of the day repeated as a check against drift.",
        "Weather noted again; logs copied twice; `fifthwheel measure` ticks off what has been covered.",
        "Packs out of the car and felt for warmth.",
    )
    return Step("Before leaving", (), ticks)
