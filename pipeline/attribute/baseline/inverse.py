"""Parts of the inverse of the baseline's curvature, without the inverse of its big side."""

from __future__ import annotations

import numpy as np
from scipy.linalg.lapack import dpotri
from scipy.sparse import csr_array

from pipeline.attribute.baseline.laplace import CrossedCells, Curvature, Floats, Ints, pairs_within

GATHER_COST = 20.0
"""Picking one number out of a matrix takes about as long as so many multiplications of a dense product (measured here)."""
ROWS_AT_ONCE = 256
"""Rows of the border worked at together; bounds the working memory."""


def inverse_parts(cells: CrossedCells, curve: Curvature) -> tuple[Floats, Floats]:
    """Diagonal of H^-1 (stacked) and the variance of each cell's predictor, z_c' H^-1 z_c."""
    if not curve.factor.size:
        spread = 1.0 / curve.diagonal
        return spread, spread[cells.levels[0]]
    inverse = _inverse(curve.factor)
    pointer, columns, slot = cells.border
    scaled = curve.border.data / np.repeat(curve.diagonal, np.diff(pointer))
    cross = _crossed(pointer, columns, scaled, inverse)
    owner = np.repeat(np.arange(len(curve.diagonal)), np.diff(pointer))
    first = 1.0 / curve.diagonal + np.bincount(owner, cross * scaled, len(curve.diagonal))
    spread = np.concatenate([first, np.diag(inverse)])
    cell = first[cells.levels[0]]
    for j, (row, at) in enumerate(zip(cells.rest, slot.reshape(cells.rest.shape), strict=True)):
        cell = cell + inverse[row, row] - 2.0 * cross[at]
        for other in cells.rest[:j]:
            cell += 2.0 * inverse[row, other]
    return spread, cell


def _inverse(factor: Floats) -> Floats:
    """Inverse of the matrix with this lower Cholesky factor."""
    half, _ = dpotri(factor, lower=1)
    low = np.tril(half)
    return np.asarray(low + np.tril(low, -1).T)


def _crossed(pointer: Ints, columns: Ints, scaled: Floats, inverse: Floats) -> Floats:
    """Entries of (border / diagonal) @ inverse where the border has entries itself (entries,)."""
    rows, width = len(pointer) - 1, len(inverse)
    if pairs_within(pointer) * GATHER_COST > float(rows) * width**2:
        whole = csr_array((scaled, columns, pointer), shape=(rows, width)).toarray() @ inverse
        return np.asarray(whole[np.repeat(np.arange(rows), np.diff(pointer)), columns])
    cross = np.zeros(len(columns))
    count = np.diff(pointer)
    for low in range(0, rows, ROWS_AT_ONCE):
        mine = np.arange(low, min(low + ROWS_AT_ONCE, rows))
        place = np.arange(int(count[mine].max(initial=0)))[None, :]
        real = place < count[mine][:, None]
        entry = np.where(real, pointer[mine][:, None] + place, 0)
        met, value = columns[entry], np.where(real, scaled[entry], 0.0)
        block = inverse[met[:, :, None], met[:, None, :]]
        cross[entry[real]] = np.matmul(value[:, None, :], block)[:, 0][real]
    return cross
