"""Names of the types that flow between the rooms, each told once: arrays by what they hold, and the nouns of libraries
too heavy to import where they are only spoken of. To a running program all of them are anything at all."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes as Axes
    from matplotlib.figure import Figure as Figure
    from numpy.typing import NDArray
    from pandas import DataFrame as DataFrame
    from pandas import Series as Series
    from xarray import DataArray as DataArray
    from xarray import Dataset as Dataset

    Array = NDArray[np.float64]
    Single = NDArray[np.float32]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Times = NDArray[np.datetime64]
else:
    Array = Single = Integers = Flags = Times = Any
    Axes = Figure = DataFrame = Series = DataArray = Dataset = Any
