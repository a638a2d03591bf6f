"""The boards on the desk: their card holds what the simulated day was, and every trouble shows as it must.

Truth is the simulated day itself; frames of the phone are made and read by the PyPI library `cobs` and by zlib.
"""

from __future__ import annotations

import socket
import struct
import threading
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs

from fifthwheel.car import load_car
from fifthwheel.car.layout_of import layout_of
from fifthwheel.car.model import Car
from fifthwheel.data import WHEELS, Floats, Recording
from fifthwheel.demo import Simulated
from fifthwheel.desk import Change, Emulated, Script, Trouble, emulate
from fifthwheel.desk.build import build, compiler
from fifthwheel.desk.emulate import emulated_text
from fifthwheel.desk.feed import turned_angles
from fifthwheel.errors import FifthwheelError
from fifthwheel.health import examine
from fifthwheel.layout import layout_hash, layout_text
from fifthwheel.readers import propose_mapping, read_files
from tests.desk.conftest import Run

Read = Callable[[Emulated], Recording]


def true_time(recording: Recording, day: Simulated) -> Floats:
    """Return the true time of the log's rows [s]: the board's clock counts from 1 us at the start of the first boot."""
    log = recording.tables["log"]
    return np.asarray((log.clock - 1e-6) / (1.0 + day.errors.clock_rate))


def angle_errors(recording: Recording, day: Simulated, seed: int) -> tuple[Floats, Floats]:
    """Return (n, 4) errors [rad] of the logged wheel angles against the truth at the rows' times, speeds [rad/s]."""
    t = true_time(recording, day)
    truth, log = turned_angles(day, seed), recording.tables["log"]
    errors, speeds = [], []
    for k, wheel in enumerate(WHEELS):
        turned = np.interp(t, day.t, truth[:, k])
        off = log.channels[f"wheel_angle_{wheel}"].values - turned
        errors.append(np.mod(off + np.pi, 2.0 * np.pi) - np.pi)
        speeds.append(np.abs(np.interp(t, day.t, day.truth[f"wheel_speed_{wheel}"])))
    return np.array(errors).T, np.array(speeds).T


def test_the_card_holds_the_day_row_by_row(emulated: Run, recorded: Read, day: Simulated) -> None:
    made = emulated()
    recording = recorded(made)
    log = recording.tables["log"]
    assert abs(log.t.size - 200.0 * float(day.t[-1])) <= 210  # a second may be lost before the first sync and after
    assert np.all(np.diff(log.clock) > 0.0)
    assert np.max(np.abs(np.diff(log.clock[20:]) - 0.005)) < 0.0025
    errors, speeds = angle_errors(recording, day, 11)
    late = log.clock > 1.5  # the boards know each other's clocks
    part = 2.0 * np.pi / 2**14
    bound = made.report["clock"]["worst_bound_us"] * 1e-6
    assert np.all(np.abs(errors[late]) < 4.0 * part + speeds[late] * (bound + 1e-5))
    assert np.median(np.abs(errors[late][speeds[late] < 1.0])) < 1.5 * part
    t = true_time(recording, day)
    for name in ("accel_x", "gyro_z"):  # held for up to a row, and 200 us of the link's jitter
        truth = day.channels[name][np.clip(np.searchsorted(day.t, t, side="right") - 1, 0, day.t.size - 1)]
        assert np.mean(np.abs(log.channels[name].values - truth) < 0.02) > 0.75
    wheel = log.channels["wheel_speed_fl"].values
    truth = np.interp(t - 0.0045, day.t, day.truth["wheel_speed_fl"])  # delay: 2 ms of filter, half of the turn's time
    moving = truth > 30.0
    assert np.median(np.abs(wheel[moving] / truth[moving] - 1.0)) < 0.005
    assert made.report["clock"]["outside"] == 0
    assert made.report["clock"]["looks"] > 1000


def test_fixes_are_recorded_as_they_arrive(emulated: Run, recorded: Read, day: Simulated) -> None:
    position = recorded(emulated()).tables["position"]
    sent = day.fixes.t + day.weather.starts
    got = position.channels["gnss_time"].values
    index = np.searchsorted(sent, got - 1e-4)
    assert np.allclose(sent[index], got, atol=1e-5)
    assert np.all(np.diff(index) == 1)
    arrival = day.fixes.arrival[index] * (1.0 + day.errors.clock_rate)
    delay = position.clock - arrival
    assert np.min(delay) > -0.0005
    assert np.max(delay) < 0.006  # sampled each millisecond, sent each two, a frame of 50 bytes, jitter


def test_the_same_orders_make_the_same_bytes(emulated: Run) -> None:
    cards = [emulated(name, seed=seed, error_rate=1e-5).card.read_bytes() for name, seed in
             (("a", 1), ("b", 1), ("c", 2))]  # fmt: skip
    assert cards[0] == cards[1]
    assert cards[0] != cards[2]


def test_wrong_bits_lose_frames_but_put_nothing_wrong_on_the_card(
    emulated: Run, recorded: Read, day: Simulated
) -> None:
    made = emulated(error_rate=3e-5)
    front, rear = made.report["boards"]
    assert front["wrong_bits_sent"] > 50
    assert rear["bad"] > 0
    assert 0 < rear["lost"] <= 1.2 * front["wrong_bits_sent"]
    recording = recorded(made)
    errors, speeds = angle_errors(recording, day, 11)
    known = np.isfinite(errors) & (recording.tables["log"].clock > 1.5)[:, None]
    assert np.mean(known) > 0.9
    assert np.all(np.abs(errors[known]) < 0.002 + speeds[known] * 4e-4)


def test_a_power_cut_costs_what_was_not_written_and_the_recording_goes_on(
    emulated: Run, recorded: Read, day: Simulated
) -> None:
    off, on = 11.0, 14.0
    made = emulated(script=Script((Trouble("power off", off, on, "all"),)))
    recording = recorded(made)
    log = recording.tables["log"]
    assert np.unique(log.boot).tolist() == [1, 2]
    last = float(log.clock[log.boot == 1][-1])
    assert off - 2.3 < last < off  # car.toml: what is begun is written every 2 s
    assert [board["starts"] for board in made.report["boards"]] == [2, 2]
    assert any(finding.check == "reboot" for finding in recording.findings)
    assert float(log.clock[log.boot == 2][-1]) == pytest.approx(float(day.t[-1]) - on, abs=2.3)


def test_a_silent_radio_makes_the_motor_safe_and_its_channels_empty(emulated: Run, recorded: Read) -> None:
    lost = Trouble("radio loss", 8.0, 9.5)
    made = emulated(script=Script((lost,)))
    rear = made.report["boards"][1]
    assert rear["stale_drives"] == 0
    quiet = emulated("quiet").report["boards"][1]
    assert rear["safe_commands"] >= quiet["safe_commands"] + 2 * 500 * 1.2  # two actuators at 500 Hz
    log = recorded(made).tables["log"]
    inside = (log.clock > lost.start + 0.1) & (log.clock < lost.end - 0.01)
    assert np.all(np.isnan(log.channels["throttle"].values[inside]))
    assert np.all(np.isfinite(log.channels["accel_x"].values[inside]))


def test_a_long_stall_is_counted_and_told(emulated: Run, recorded: Read, desk_car: Car) -> None:
    made = emulated(script=Script((Trouble("card stall", 6.0, 12.0),)))
    recording = recorded(made)
    state = recording.tables["card_state"].channels
    assert np.nanmax(state["worst_stall_us"].values) == pytest.approx(6e6, rel=0.05)
    lost = int(np.nanmax(state["lost_records"].values))
    rows = np.diff(recording.tables["log"].clock)
    assert lost > 300
    missing = np.sum(np.rint(rows[rows > 0.02] / 0.005) - 1)
    assert missing == pytest.approx(lost, rel=0.15)  # slower records are lost as well
    assert any(finding.check == "gap" for finding in examine(recording, desk_car))
    short = emulated("short", script=Script((Trouble("card stall", 6.0, 6.5),)))
    assert int(np.nanmax(recorded(short).tables["card_state"].channels["lost_records"].values)) == 0


def test_a_stuck_encoder_is_found(emulated: Run, recorded: Read, desk_car: Car) -> None:
    made = emulated(script=Script((Trouble("encoder stuck", 5.0, 9.5, "fr"),)))
    recording = recorded(made)
    log = recording.tables["log"]
    inside = (log.clock > 5.2) & (log.clock < 9.4)
    assert np.all(log.channels["wheel_speed_fr"].values[inside] == 0.0)
    found = [f for f in examine(recording, desk_car) if f.severity != "note" and "wheel_speed_fr" in f.place]
    assert found, [(f.check, f.place) for f in examine(recording, desk_car)]


def test_the_phone_changes_settings_within_their_limits(emulated: Run, recorded: Read) -> None:
    changes = (Change(5.0, "throttle_limit", 0.5), Change(6.0, "throttle_limit", 7.0), Change(7.0, "slip_target", 0.2))
    made = emulated(script=Script(changes=changes))
    assert [(a["status"], round(a["value"], 6)) for a in made.report["answers"]] == [(0, 0.5), (9, 0.5), (0, 0.2)]
    told = emulated_text(made)
    assert "setting throttle_limit: done, it is 0.5" in told
    assert "setting throttle_limit: refused, outside its limits, it is 0.5" in told
    table = recorded(made).tables["setting_changed"]
    assert table.channels["after"].values == pytest.approx([0.5, 0.2])
    assert table.channels["before"].values == pytest.approx([1.0, 0.1])
    assert table.clock == pytest.approx([5.0, 7.0], abs=0.05)


def test_a_setting_that_is_not_there_is_refused(emulated: Run) -> None:
    with pytest.raises(FifthwheelError, match="throttle_limit"):
        emulated(script=Script(changes=(Change(1.0, "throttel_limit", 0.5),)))


def test_a_board_that_is_not_there_is_refused(emulated: Run) -> None:
    with pytest.raises(FifthwheelError, match="front, rear"):
        emulated(script=Script((Trouble("power off", 1.0, 2.0, "raer"),)))
    made = emulated(seconds=3.0, script=Script((Trouble("power off", 1.0, 2.0, "Rear"),)))  # as car.toml may write it
    assert [board["starts"] for board in made.report["boards"]] == [1, 2]


def test_a_port_that_is_taken_is_told_with_the_way_out(emulated: Run) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other, pytest.raises(FifthwheelError, match="another port"):
        emulated(seconds=2.0, phone=other.getsockname()[1])


def framed(kind: int, body: bytes, layout: int) -> bytes:
    frame = struct.pack("<BHHI", kind, 0, layout & 0xFFFF, 0) + body
    return b"\0" + bytes(cobs.encode(frame + struct.pack("<I", zlib.crc32(frame)))) + b"\0"


def test_a_client_changes_a_setting_while_it_runs(emulated: Run, desk_car: Car) -> None:
    layout = layout_hash(layout_text(layout_of(desk_car)))
    said: list[bytes] = []

    def talk(told: str) -> None:
        def client() -> None:
            with socket.create_connection(("127.0.0.1", int(told.rsplit(" ", 1)[1])), timeout=20.0) as port:
                port.sendall(framed(4, struct.pack("<Hf", 2, 0.25), layout))
                got = b""
                while got.count(b"\0") < 2:
                    got += port.recv(64)
                said.append(got)

        threads.append(threading.Thread(target=client))
        threads[-1].start()

    threads: list[threading.Thread] = []
    emulated(pace=8.0, seconds=12.0, phone=0, told=talk)
    for thread in threads:
        thread.join()
    frame = cobs.decode(said[0].strip(b"\0"))
    assert struct.unpack("<I", frame[-4:])[0] == zlib.crc32(frame[:-4])
    assert frame[0] == 5
    assert struct.unpack("<HBf", frame[9:16]) == (2, 0, 0.25)


def test_without_a_compiler_the_error_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CXX", raising=False)
    monkeypatch.setenv("PATH", "")
    with pytest.raises(FifthwheelError, match="compiler"):
        compiler()


def test_all_that_the_compiler_says_is_told(desk_car: Car, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tool = tmp_path / "c++"
    tool.write_text(
        "#!/bin/sh\necho a.hpp:1: error: first >&2\necho a note >&2\necho b.hpp:2: error: second >&2\nexit 1\n"
    )
    tool.chmod(0o755)
    monkeypatch.setenv("CXX", str(tool))
    with pytest.raises(FifthwheelError) as told:
        build(desk_car, tmp_path / "out")
    assert "error: first" in str(told.value)
    assert "error: second" in str(told.value)
    assert "a note" not in str(told.value)
    assert list((tmp_path / "out").iterdir()) == []  # nothing half made is left
    tool.write_text("#!/bin/sh\necho killed >&2\nexit 1\n")
    with pytest.raises(FifthwheelError, match="killed"):
        build(desk_car, tmp_path / "out")


def test_a_folder_that_cannot_be_written_is_an_error(emulated: Run, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(FifthwheelError, match="cannot write"):
        emulated()


ONE = """\
[car]
name = "One board"
mass = "4 kg"
wheelbase = "330 mm"
[tyre]
radius = "50 mm"
[drive]
driven = ["rl", "rr"]
[[controller]]
name = "only"
profile = "dual-core-240"
[[sensor]]
name = "inertial"
kind = "inertial"
channels = ["accel_x", "gyro_z"]
controller = "only"
"""
CARD = '[card]\ncontroller = "only"\nrate = "200 Hz"\nbuffer = "32 KiB"\nsize = "32 GB"\n'


def test_one_board_without_link_and_settings_records_what_it_senses(day: Simulated, tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(ONE + CARD, encoding="utf-8")
    made = emulate(load_car(tmp_path), tmp_path / "out", day=day, faulty=False, script=Script(), seconds=8.0)
    assert "other board" not in emulated_text(made)
    recording = read_files([made.card], propose_mapping([made.card], None), None)
    log = recording.tables["log"]
    assert log.t.size > 1000
    assert np.mean(np.isfinite(log.channels["accel_x"].values)) > 0.99


def test_without_a_card_there_is_nothing_to_write_and_the_error_says_so(day: Simulated, tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(ONE, encoding="utf-8")
    with pytest.raises(FifthwheelError, match=r"expected \[card\]"):
        emulate(load_car(tmp_path), tmp_path / "out", day=day, script=Script(), seconds=8.0)
