"""`python -m analysis.simulate FOLDER` writes the demo photos and their truth."""
from __future__ import annotations

import argparse

from analysis.simulate.demo import write_demo


def main() -> None:
    """Parse the folder and write."""
    parser = argparse.ArgumentParser(prog="python -m analysis.simulate",
                                     description="Write the demo photos and their truth.")
    parser.add_argument("folder", help="where to write, for instance demo_images")
    for path in write_demo(parser.parse_args().folder):
        print(path)


if __name__ == "__main__":
    main()
