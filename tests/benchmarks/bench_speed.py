"""Time and memory of the whole job, against named baselines in the same run.

    python -m tests.benchmarks.bench_speed                             everything, 12 megapixels
    python -m tests.benchmarks.bench_speed --sizes 1 3 12 48 108       cost against size, each in a process of its own
    python -m tests.benchmarks.bench_speed --batch 200                 a folder of so many pairs

The shortest of the runs counts; load averages stand beside the figures. The baselines: Pillow decoding the two
photos alone, OpenCV's SIFT at full resolution with RANSAC, scikit-image's Gabor filter.
"""
from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from analysis.simulate import encode, photograph
from tests.benchmarks.cases import pair_case

COMMAND = (sys.executable, "-m", "analysis")
FRAME_MM = (90.0, 60.0)
GABOR_CROP = 256           # scikit-image's filter runs on this and its time is multiplied
WATCH = """
import resource, subprocess, sys, time
start = time.perf_counter()
status = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL).returncode
assert status in (0, 3), status
print(time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024)
"""
ALONE = """
import io, re, sys, time
import analysis
from analysis.memory import Memory
from analysis.report import to_dict
from analysis.views import make_views
from PIL import Image
Image.MAX_IMAGE_PIXELS = None
runs, photos = int(sys.argv[1]), [open(name, "rb").read() for name in sys.argv[2:4]]
settings, other = (analysis.Settings(frame_mm=(90.0, 60.0), shortest_period_mm=p) for p in (0.15, 1.0))

def timed(work):
    wall, computing = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - computing

def decode():
    for photo in photos:
        Image.open(io.BytesIO(photo)).convert("RGB").load()

def changed():
    answer = analysis.compare(*photos, other, memory=memory)
    to_dict(answer), make_views(answer)

compared, decoded = [timed(lambda: analysis.compare(*photos, settings))], []
peak = int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1024    # since this program began
for _ in range(runs):                  # by turns: what disturbs one disturbs the other
    decoded.append(timed(decode))
    compared.append(timed(lambda: analysis.compare(*photos, settings)))
again = []
for _ in range(runs if len(sys.argv) > 4 else 0):
    memory = Memory()
    analysis.compare(*photos, settings, memory=memory)
    again.append(timed(changed))
print(*(min(times) for kind in (compared, decoded, again or [(0, 0)]) for times in zip(*kind)), peak)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alone:
    """Shortest times of a process of its own that does nothing else: (wall, computing on all cores) in seconds."""

    compared_s: tuple[float, float]
    decoded_s: tuple[float, float]
    changed_s: tuple[float, float]     # a setting that needs no new alignment: report and pictures
    peak_mb: float                     # of the first comparison


def pair(megapixels: float) -> tuple[bytes, bytes]:
    """Two JPEG photos of that size of one framed piece before and after a change, as a phone stores them indoors.

    A phone's own file holds 3 to 6 MB at 12 megapixels: much noise, hardly compressed. Cleaner ones decode too fast.
    Photos above 12 megapixels are enlarged from that size and given noise: simulating them takes minutes.
    """
    if megapixels > 12:
        return tuple(enlarged(photo, megapixels) for photo in pair(12))
    side = round((megapixels * 1e6 / 12) ** 0.5)
    case = pair_case(1, size_px=(4 * side, 3 * side))
    photos = []
    for shot in (case.before.shot, case.after.shot):
        assert (shot.piece.width_mm, shot.piece.height_mm) == FRAME_MM
        phone = replace(shot.camera, full_well_electrons=800.0, bayer=True, sharpen=0.5, jpeg_quality=95)
        photos.append(encode(photograph(shot.piece, phone, shot.seed)))
    return tuple(photos)


def enlarged(photo: bytes, megapixels: float) -> bytes:
    """A JPEG photo of 12 megapixels at another size, with noise of its own."""
    small = cv2.imdecode(np.frombuffer(photo, np.uint8), cv2.IMREAD_COLOR)
    share = (megapixels * 1e6 / (small.shape[0] * small.shape[1])) ** 0.5
    large = cv2.resize(small, None, fx=share, fy=share, interpolation=cv2.INTER_CUBIC)
    noise = np.random.default_rng(1).integers(-9, 10, large.shape, np.int8)
    return cv2.imencode(".jpg", cv2.add(large, noise, dtype=cv2.CV_8U), [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()


def best(runs: int, work) -> float:
    """Shortest of several runs, seconds of wall time."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def process(*arguments) -> tuple[float, float]:
    """Wall time in seconds and peak memory in MB of one run of the command, seen from a small parent."""
    told = subprocess.run([sys.executable, "-c", WATCH, *COMMAND, *arguments], check=True, capture_output=True,
                          text=True)
    seconds, peak = (float(word) for word in told.stdout.split())
    return seconds, peak


def alone(folder: Path, photos: tuple[bytes, bytes], runs: int, *, changed: bool) -> Alone:
    """Decoding and comparison by turns in a fresh process.

    This one will not do: what it allocated for the simulation lets Pillow decode in 0.15 instead of 0.21 s, since
    the C library keeps so much memory at hand; and NumPy, loaded before our package, may start threads of its own.
    """
    told = subprocess.run([sys.executable, "-c", ALONE, str(runs), *files(folder, photos), *["changed"] * changed],
                          check=True, capture_output=True, text=True)
    *times, peak = (float(word) for word in told.stdout.split())
    return Alone(compared_s=(times[0], times[1]), decoded_s=(times[2], times[3]), changed_s=(times[4], times[5]),
                 peak_mb=peak)


def files(folder: Path, photos) -> list[str]:
    """Write the photos as files, and say where."""
    names = [str(folder / f"pair_{side}.jpg") for side in ("before", "after")]
    for name, photo in zip(names, photos, strict=True):
        Path(name).write_bytes(photo)
    return names


def sift(photos) -> None:
    """Baseline: full-resolution features with RANSAC, what a general recipe for registration does."""
    grey = [cv2.imdecode(np.frombuffer(p, np.uint8), cv2.IMREAD_GRAYSCALE) for p in photos]
    finder = cv2.SIFT_create(8000)
    (first, a), (second, b) = (finder.detectAndCompute(g, None) for g in grey)
    near = [m for m, n in cv2.BFMatcher().knnMatch(b, a, k=2) if m.distance < 0.8 * n.distance]
    points = [np.float32([side[getattr(m, key)].pt for m in near])
              for side, key in ((second, "queryIdx"), (first, "trainIdx"))]
    if len(near) >= 4:
        cv2.findHomography(*points, cv2.RANSAC, 3.0)


def gabor_seconds(megapixels: float) -> float:
    """Baseline: scikit-image's Gabor filter, 12 directions at 5 scales (three run, times multiplied)."""
    from skimage.filters import gabor
    crop = np.random.default_rng(1).standard_normal((GABOR_CROP, GABOR_CROP)).astype(np.float32)
    spent = sum(best(1, lambda w=w: gabor(crop, 1 / w, sigma_x=0.56 * w, sigma_y=0.56 * w)) for w in (4, 8, 16))
    return spent * 12 * megapixels * 1e6 / crop.size


def everything(megapixels: float, runs: int) -> None:
    """Print one line a kind of work, with its bar."""
    photos, load = pair(megapixels), os.getloadavg()[0]
    with tempfile.TemporaryDirectory() as folder:
        own = alone(Path(folder), photos, runs, changed=True)
        names = files(Path(folder), photos)
        told = [*names, "--frame", "{:g}x{:g}".format(*FRAME_MM), "--json", f"{folder}/report.json"]
        sheets = ["--sheet", f"{folder}/sheet.pdf", "--sheet", f"{folder}/sheet.png"]
        plain = min(process("compare", *told) for _ in range(runs))
        drawn = min(process("compare", *told, *sheets) for _ in range(runs))
        shown = min(process("--help") for _ in range(runs))
    imports = best(runs, lambda: subprocess.run([sys.executable, "-c", "import analysis.pipeline"], check=True))
    sift_s, gabor_s = best(1, lambda: sift(photos)), gabor_seconds(2 * megapixels)
    compare_s, decode_s = own.compared_s[0], own.decoded_s[0]
    rows = [("decoding the two photos alone (Pillow)", f"{decode_s:.2f} s", ""),
            ("comparison, bytes to report", f"{compare_s:.2f} s = {compare_s / decode_s:.1f} x decoding", "5 x"),
            ("computing for it, both cores",
             f"{own.compared_s[1]:.2f} s = {own.compared_s[1] / own.decoded_s[1]:.1f} x", ""),
            ("its peak memory", f"{own.peak_mb:.0f} MB", "500 MB"),
            ("the same as a process", f"{plain[0]:.2f} s, {plain[1]:.0f} MB", "2.5 s, 500 MB"),
            ("imports, with the interpreter's start", f"{imports:.2f} s", "0.9 s"),
            ("the same with PDF and PNG sheets", f"{drawn[0]:.2f} s, {drawn[1]:.0f} MB", "5 s"),
            ("--help", f"{shown[0]:.2f} s", "0.4 s"),
            ("page: changed setting, report and pictures",
             f"{own.changed_s[0]:.2f} s, {own.changed_s[1]:.2f} computing", "0.7 s"),
            ("OpenCV SIFT at full size with RANSAC", f"{sift_s:.1f} s = {sift_s / compare_s:.1f} x ours", ""),
            ("scikit-image Gabor bank, both photos", f"{gabor_s:.0f} s = {gabor_s / compare_s:.0f} x ours", "")]
    print(f"{megapixels:g} megapixels, {sum(map(len, photos)) / 2e6:.1f} MB a photo, {os.cpu_count()} cores; "
          f"load before {load:.1f}, after {os.getloadavg()[0]:.1f}")
    for row in rows:
        print("{:<45}{:<28}{}".format(*row), flush=True)


def sizes(megapixels: list[float], runs: int) -> None:
    """Print cost against size."""
    print("megapixels  compare s  computing s  decode s  ratio  peak MB  load")
    with tempfile.TemporaryDirectory() as folder:
        for size in megapixels:
            own = alone(Path(folder), pair(size), runs, changed=False)
            (compare_s, computing_s), decode_s = own.compared_s, own.decoded_s[0]
            print(f"{size:<10g}  {compare_s:9.2f}  {computing_s:11.2f}  {decode_s:8.2f}  {compare_s / decode_s:5.1f}  "
                  f"{own.peak_mb:7.0f}  {os.getloadavg()[0]:4.1f}", flush=True)


def batch(count: int, megapixels: float) -> None:
    """Print what a folder of pairs costs against as many single runs."""
    photos, load = pair(megapixels), os.getloadavg()[0]
    with tempfile.TemporaryDirectory() as folder:
        single = alone(Path(folder), photos, 3, changed=False).compared_s[0]
    with tempfile.TemporaryDirectory() as folder:
        for k in range(count):
            for side, photo in zip(("before", "after"), photos, strict=True):
                Path(folder, f"pair{k:03d}_{side}.jpg").write_bytes(photo)
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        seconds, _ = process("batch", folder, "--frame", "{:g}x{:g}".format(*FRAME_MM), "--quiet")
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = sum(getattr(after, key) - getattr(before, key) for key in ("ru_utime", "ru_stime"))
    print(f"{count} pairs of {megapixels:g} megapixels: {seconds:.0f} s, {seconds / count:.2f} s a pair "
          f"(a single comparison in one process {single:.2f} s); cores busy {spent / seconds / os.cpu_count():.0%}; "
          f"largest process {after.ru_maxrss / 1024:.0f} MB; load before {load:.1f}")


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--sizes", type=float, nargs="+")
    parser.add_argument("--batch", type=int)
    given = parser.parse_args()
    if given.sizes:
        sizes(given.sizes, given.runs)
    elif given.batch:
        batch(given.batch, given.megapixels)
    else:
        everything(given.megapixels, given.runs)


if __name__ == "__main__":
    main()
