"""What the overlay costs: decoding, drawing and encoding 1080p30 against decoding and encoding alone, in one run.

"alone, one after the other": a plain loop of the codec library. "alone, overlapped": the threads that rendering has,
without an overlay. The faster of the two, with the encoder's same settings, is what the overlay is held against. Rates
are the best of interleaved rounds, and beside them processor time, which other work on the machine moves less. The
overlay alone is held against real time, in each transparent format. Memory: the peak of a process that renders a short
film, and of one that renders a film four times as long.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

SECONDS, ROUNDS = 3, 2
WANTED = 0.80
SHORT, LONG = 2, 8
"""Lengths of the films whose memory is compared [s]."""


def make_film(path: Path, seconds: float) -> None:
    """Write a moving, noisy test picture of 1080p30 with sound."""
    import av

    scene = f"testsrc2=size=1920x1080:rate=30:duration={seconds},noise=alls=8:allf=t,format=yuv420p"
    with av.open(scene, format="lavfi") as source, av.open(str(path), "w") as target:
        video = target.add_stream("libx264", rate=30, options={"preset": "ultrafast", "crf": "20"})
        video.width, video.height, video.pix_fmt = 1920, 1080, "yuv420p"
        for number, frame in enumerate(source.decode(video=0)):
            frame.pts, frame.time_base, frame.pict_type = number, Fraction(1, 30), 0
            target.mux(video.encode(frame))
        target.mux(video.encode(None))


def loop(source: Path, path: Path) -> None:
    """Decode and encode, one picture after the other."""
    import av

    from fifthwheel.film.outputs import H264

    with av.open(str(source)) as was, av.open(str(path), "w") as target:
        stream = was.streams.video[0]
        stream.thread_type = "AUTO"
        video = target.add_stream("libx264", rate=30, options=H264)
        video.width, video.height, video.pix_fmt = stream.width, stream.height, "yuv420p"
        video.codec_context.time_base = stream.time_base
        for frame in was.decode(stream):
            frame.pict_type = 0
            target.mux(video.encode(frame))
        target.mux(video.encode(None))


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Return wall and processor seconds of a call."""
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


def burnt(folder: Path, seconds: int) -> None:
    """Render the film of that length; print the process's peak memory [MB]."""
    from tests.film.clips import job_of

    from fifthwheel.film.arrangement import SHIPPED, load_arrangement
    from fifthwheel.film.render import burn

    job = job_of(load_arrangement(SHIPPED / "plain.toml"), folder / f"{seconds}.mp4")
    burn(job, folder / "out.mp4")
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0)


def main() -> None:
    """Print the ratios; end with status 1 when the overlay costs more than it may."""
    from tests.film.clips import job_of

    from fifthwheel.film.arrangement import SHIPPED, load_arrangement
    from fifthwheel.film.outputs import KINDS
    from fifthwheel.film.render import burn, overlay_alone, plain

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = folder / "source.mp4"
        make_film(source, SECONDS)
        job = job_of(load_arrangement(SHIPPED / "plain.toml"), source)
        works: dict[str, Callable[[], object]] = {
            "alone, one after the other": lambda: loop(source, folder / "loop.mp4"),
            "alone, overlapped": lambda: plain(job.film, folder / "plain.mp4"),
            "with the overlay": lambda: burn(job, folder / "burnt.mp4"),
        }
        found: dict[str, list[tuple[float, float]]] = {name: [] for name in works}
        for _ in range(ROUNDS):
            for name, work in works.items():
                found[name].append(timed(work))
        frames = 30 * SECONDS
        best = {name: min(wall for wall, _ in rounds) for name, rounds in found.items()}
        processor = {name: min(cpu for _, cpu in rounds) for name, rounds in found.items()}
        for name in works:
            rate, each = frames / best[name], 1e3 * processor[name] / frames
            print(f"{name:28} {rate:6.1f} pictures/s, processor {each:6.1f} ms a picture")
        alone = min(best["alone, one after the other"], best["alone, overlapped"])
        least = min(processor["alone, one after the other"], processor["alone, overlapped"])
        ratio = alone / best["with the overlay"]
        print(f"frame rate with the overlay over the faster without: {ratio:.2f} (wanted: {WANTED:.2f})")
        print(f"processor time without over with: {least / processor['with the overlay']:.2f}")
        for kind in ("prores", "vp9", "png"):
            wall, cpu = timed(lambda kind=kind: overlay_alone(job, folder / f"alone{KINDS[kind]}", kind))  # type: ignore[misc]
            print(f"{kind:7} alone: {SECONDS / wall:5.2f} x real time, {SECONDS / cpu:5.2f} film s a processor s")
        peaks = []
        for seconds in (SHORT, LONG):
            make_film(folder / f"{seconds}.mp4", seconds)
            command = [sys.executable, __file__, str(folder), str(seconds)]
            peaks.append(float(subprocess.run(command, capture_output=True, text=True, check=True).stdout))
        print(
            f"peak memory: {peaks[0]:.0f} MB for {SHORT} s, {peaks[1]:.0f} MB for {LONG} s: {peaks[1] / peaks[0]:.2f}"
        )
    sys.exit(0 if ratio >= WANTED else 1)


if __name__ == "__main__":
    if len(sys.argv) == 3:
        burnt(Path(sys.argv[1]), int(sys.argv[2]))
    else:
        main()
