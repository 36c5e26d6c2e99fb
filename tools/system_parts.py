"""Finds system libraries that the Python packages load but pip does not bring. Standard library only.

    python tools/system_parts.py            libraries for cv2, vtk, mediapipe and open3d
    python tools/system_parts.py --tests    and what only the tests use: a browser, a published picture set

On Debian and its relatives, as root, what is missing is installed; elsewhere the command that does is named.
Exit code 0: everything is there; 1: something is missing.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import os
import shutil
import subprocess
import sys
from pathlib import Path

# What is loaded -> the Debian package that brings it: what `ldd` names for the wheels' own libraries.
LIBRARIES = {
    "libGL.so.1": "libgl1",
    "libEGL.so.1": "libegl1",
    "libGLESv2.so.2": "libgles2",
    "libEGL_mesa.so.0": "libegl-mesa0",
    "libGLX_mesa.so.0": "libglx-mesa0",
    "libX11.so.6": "libx11-6",
    "libXext.so.6": "libxext6",
    "libXrender.so.1": "libxrender1",
    "libxcb.so.1": "libxcb1",
    "libSM.so.6": "libsm6",
    "libICE.so.6": "libice6",
    "libglib-2.0.so.0": "libglib2.0-0",
    "libgthread-2.0.so.0": "libglib2.0-0",
    "libuuid.so.1": "libuuid1",
    "libusb-1.0.so.0": "libusb-1.0-0",
}
DRIVERS = "libgl1-mesa-dri"  # draws without a graphics card; loaded by the libraries above, by no fixed name

OPENCV_PICTURE = Path("/usr/share/doc/opencv-doc/examples/data/left01.jpg")

OFF_SCREEN = """
import vtkmodules.vtkRenderingOpenGL2
from vtkmodules.vtkCommonCore import vtkUnsignedCharArray
from vtkmodules.vtkRenderingCore import vtkRenderer, vtkRenderWindow
window, renderer, pixels = vtkRenderWindow(), vtkRenderer(), vtkUnsignedCharArray()
window.SetOffScreenRendering(1)
window.SetSize(8, 8)
renderer.SetBackground(1, 0, 0)
window.AddRenderer(renderer)
window.Render()
window.GetRGBACharPixelData(0, 0, 7, 7, 0, pixels)
assert (pixels.GetValue(0), pixels.GetValue(1)) == (255, 0), "the picture is not what was drawn"
"""
BODY_MODEL = """
import mediapipe as mp, numpy as np
mp.Image(mp.ImageFormat.SRGB, np.zeros((8, 8, 3), np.uint8))
"""
TRIALS = {
    "cv2": "import cv2",
    "open3d": "import open3d",
    "mediapipe": BODY_MODEL,
    "vtk, drawing without a window": OFF_SCREEN,
}


def main() -> int:
    wanted = _missing_libraries() if sys.platform.startswith("linux") else []
    if "--tests" in sys.argv[1:]:
        wanted += _missing_test_parts()
    if wanted and not _install(wanted):
        return 1
    failures = _failed_trials()
    if failures and sys.platform.startswith("linux") and _install([DRIVERS]):
        failures = _failed_trials()
    for name, said in failures.items():
        print(f"{name} does not work here:\n    {said}", file=sys.stderr)
    return 1 if failures else 0


def _missing_libraries() -> list[str]:
    packages = []
    for library, package in LIBRARIES.items():
        try:
            ctypes.CDLL(library)
        except OSError:
            print(f"missing system library {library} (Debian package {package})", file=sys.stderr)
            packages.append(package)
    return sorted(set(packages))


def _missing_test_parts() -> list[str]:
    packages = []
    if not any(shutil.which(name) for name in ("chromium", "chromium-browser", "google-chrome")):
        packages += ["chromium", "fonts-dejavu-core"]
    if not OPENCV_PICTURE.is_file():
        packages.append("opencv-doc")
    return packages


def _failed_trials() -> dict[str, str]:
    """Name -> last line of what went wrong, for each import or drawing that fails."""
    failed = {}
    for name, code in TRIALS.items():
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, timeout=300, check=False
        )
        if done.returncode != 0:
            said = (done.stderr.strip() or done.stdout.strip() or f"exit code {done.returncode}").splitlines()
            failed[name] = said[-1]
    return failed


def _install(packages: list[str]) -> bool:
    """Install Debian packages as root; else name the command. True where they are then there."""
    command = ["apt-get", "install", "--yes", "--no-install-recommends", *packages]
    is_root = hasattr(os, "geteuid") and os.geteuid() == 0
    if not (is_root and shutil.which("apt-get")):
        words = f"install with: sudo {' '.join(command)}"
        print(f"{words}   (Debian, Ubuntu; the packages' names differ elsewhere)", file=sys.stderr)
        return False
    print(f"installing system packages: {' '.join(packages)}", flush=True)
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    log = subprocess.run(["apt-get", "update", "-qq"], env=quiet, capture_output=True, text=True, check=False)
    # Small container images leave documentation out unless told otherwise; the picture set is documentation.
    command[2:2] = ["--reinstall", "--option", "Dpkg::Options::=--path-include=/usr/share/doc/opencv-doc/*"]
    done = subprocess.run(command, env=quiet, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        print(f"{' '.join(command)} failed:\n{log.stderr[-500:]}\n{done.stderr[-1500:]}", file=sys.stderr)
    return done.returncode == 0


if __name__ == "__main__":
    sys.exit(main())
