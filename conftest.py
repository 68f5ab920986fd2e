"""Before numpy is loaded: one thread of linear algebra for each process of the tests and what they start.

The workers of the tests fill the cores; threads beside them would spin while they wait for one another, for up to ten times as long.
"""

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ.setdefault(name, "1")
