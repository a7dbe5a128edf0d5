"""``python -m tests.packaging [--out DIR]``: build wheel and sdist, look into them, install each and use the program.

With ``--out`` what was built stays there, once all of it has held.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import tomllib
from pathlib import Path

from tests.packaging import trial


def main() -> int:
    """Say each thing that held; the first that does not ends it with exit code 1."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, help="where the packages go")
    parser.add_argument("--no-install", action="store_true", help="build and look into them only")
    asked = parser.parse_args()
    version = tomllib.loads((trial.ROOT / "pyproject.toml").read_text())["project"]["version"]

    def say(words: str) -> None:
        sys.stdout.write(words)
        sys.stdout.flush()

    with tempfile.TemporaryDirectory(prefix="giornata-packages-") as name:
        folder = Path(name)
        try:
            (first := folder / "first").mkdir()
            (second := folder / "second").mkdir()
            sdist, wheel = trial.build(first)
            say(f"{sdist.name}: {trial.look_into_sdist(sdist)} files, {sdist.stat().st_size / 1e6:.1f} MB\n")
            say(f"{wheel.name}: {trial.look_into_wheel(wheel)} files, {wheel.stat().st_size / 1e6:.1f} MB\n")
            again = trial.build(second, trial.unpacked(sdist, folder))
            same = [trial.digest(one) for one in (sdist, wheel)] == [trial.digest(one) for one in again]
            say(f"built again from the sdist: {'the same, byte for byte' if same else 'other bytes'}\n")
            if not asked.no_install:
                commands = trial.install(folder, wheel)
                for line in trial.try_out(folder, commands, version):
                    say(f"wheel: {line}\n")
                trial.install(folder, sdist, again=True)
                for line in trial.try_out(folder, commands, version):
                    say(f"sdist: {line}\n")
        except trial.TrialError as error:
            say(f"{error}\n")
            return 1
        if not same:
            return 1
        if asked.out is not None:
            asked.out.mkdir(parents=True, exist_ok=True)
            for one in (sdist, wheel):
                shutil.copy2(one, asked.out / one.name)
                say(f"{asked.out / one.name}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
