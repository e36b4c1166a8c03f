"""The station: from what is heard to what the crew sees."""

import os

# before numpy is loaded: a prediction must not take both cores of a laptop
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
