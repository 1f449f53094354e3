"""What every room needs, imported once: a fork server imports this module, and its kernels begin with it.

No thread is started here, no event loop and no socket: a fork would carry them over broken.
"""

import gc

import colour  # noqa: F401
import ipykernel.debugger
import ipykernel.ipkernel
import ipykernel.kernelapp
import ipykernel.zmqshell  # noqa: F401
import matplotlib.backends.backend_svg  # noqa: F401
import pandas.io.formats.html  # noqa: F401
import scipy.optimize
import scipy.special  # noqa: F401
import threadpoolctl  # noqa: F401
import typst  # noqa: F401
from matplotlib.figure import Figure

import matchlib.matching.room
import matchlib.reporting.pdf
import matchlib.reporting.plots.catalogue
import matchlib.reporting.tables  # noqa: F401
from matchlib.package import code_digest, versions
from matchlib.reporting.drawing import save_svg


def _warm() -> None:
    """Fill what is read once a process: the fonts, the versions, the digest of the sources."""
    figure = Figure()
    figure.add_subplot().set_title("0")
    save_svg(figure)
    code_digest()
    versions()


_warm()
gc.collect()
gc.freeze()  # what stands here outlives every kernel: no collection looks at it, and forks go on sharing it
