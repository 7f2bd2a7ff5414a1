"""Runs all comparisons, or those of the subjects named."""

import sys

import bench  # noqa: F401  registers its checks, like the others
import control  # noqa: F401
import models  # noqa: F401
import series  # noqa: F401
import oracle

if __name__ == "__main__":
    sys.exit(0 if oracle.run(sys.argv[1:]) else 1)
