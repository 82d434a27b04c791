"""Linear algebra of the kernels: copies, products, Cholesky factor and solution of a symmetric system.

At 34 to 154 unknowns the factor takes 0.35 to 0.7 of the time of LAPACK's routine as SciPy calls it (measured), and it
stays inside compiled code.
"""

from __future__ import annotations

from math import sqrt

from physics.kernel_cache import inner_kernel, kernel, reordering_kernel


@inner_kernel
def clear(rows, matrix):
    """Zero the first rows of a matrix."""
    for i in range(rows):
        for j in range(matrix.shape[1]):
            matrix[i, j] = 0.0


@inner_kernel
def copy(values, out):
    """Copy a vector."""
    for i in range(out.size):
        out[i] = values[i]


@inner_kernel
def copy_lower(matrix, out):
    """Copy the lower triangle of a matrix."""
    for i in range(out.shape[0]):
        for j in range(i + 1):
            out[i, j] = matrix[i, j]


@reordering_kernel
def dot(x, y, n):
    """Scalar product of the first n entries; reassociated so that it runs in vector registers."""
    total = 0.0
    for j in range(n):
        total += x[j] * y[j]
    return total


@reordering_kernel
def row_dot(matrix, i, x, n):
    """Scalar product of the first n entries of row i with x; cutting out the row would count one more reference."""
    total = 0.0
    for j in range(n):
        total += matrix[i, j] * x[j]
    return total


@reordering_kernel
def two_row_dots(first, second, i, x, n):
    """The same with rows i of two matrices, which share the loading of x."""
    total, other = 0.0, 0.0
    for j in range(n):
        total += first[i, j] * x[j]
        other += second[i, j] * x[j]
    return total, other


@reordering_kernel
def symmetric_product(lower, x, out):
    """Product of a symmetric matrix with x; only its lower triangle is read."""
    for i in range(x.size):
        total, own = 0.0, x[i]
        for j in range(i):
            total += lower[i, j] * x[j]
            out[j] += lower[i, j] * own
        out[i] = total + lower[i, i] * own


@reordering_kernel
def _rows_dot(matrix, i, k, n):
    """Scalar product of the first n entries of rows i and k."""
    total = 0.0
    for j in range(n):
        total += matrix[i, j] * matrix[k, j]
    return total


@reordering_kernel
def _take_off(matrix, i, j, n):
    """Rows i to i+3 less their products with rows j to j+3 over the first n columns: sixteen sums at a time."""
    s00 = s01 = s02 = s03 = s10 = s11 = s12 = s13 = s20 = s21 = s22 = s23 = s30 = s31 = s32 = s33 = 0.0
    for k in range(n):
        x0, x1, x2, x3 = matrix[j, k], matrix[j + 1, k], matrix[j + 2, k], matrix[j + 3, k]
        y0, y1, y2, y3 = matrix[i, k], matrix[i + 1, k], matrix[i + 2, k], matrix[i + 3, k]
        s00, s01, s02, s03 = s00 + y0 * x0, s01 + y0 * x1, s02 + y0 * x2, s03 + y0 * x3
        s10, s11, s12, s13 = s10 + y1 * x0, s11 + y1 * x1, s12 + y1 * x2, s13 + y1 * x3
        s20, s21, s22, s23 = s20 + y2 * x0, s21 + y2 * x1, s22 + y2 * x2, s23 + y2 * x3
        s30, s31, s32, s33 = s30 + y3 * x0, s31 + y3 * x1, s32 + y3 * x2, s33 + y3 * x3
    _less(matrix, i, j, s00, s01, s02, s03)
    _less(matrix, i + 1, j, s10, s11, s12, s13)
    _less(matrix, i + 2, j, s20, s21, s22, s23)
    _less(matrix, i + 3, j, s30, s31, s32, s33)


@inner_kernel
def _less(matrix, i, j, s0, s1, s2, s3):
    matrix[i, j] -= s0
    matrix[i, j + 1] -= s1
    matrix[i, j + 2] -= s2
    matrix[i, j + 3] -= s3


@kernel
def factor(matrix):
    """Cholesky factor in place (lower triangle), four rows at a time; False if the matrix is not positive definite.

    The diagonal holds one over the factor's: multiplying is several times as fast as dividing.
    """
    n = matrix.shape[0]
    for i in range(0, n, 4):
        rows, done = min(4, n - i), 0
        if rows == 4:
            for j in range(0, i, 4):
                _take_off(matrix, i, j, j)
                for r in range(i, i + 4):
                    for c in range(j, j + 4):
                        rest = matrix[r, c]
                        for k in range(j, c):
                            rest -= matrix[r, k] * matrix[c, k]
                        matrix[r, c] = rest * matrix[c, c]
            done = i
        for r in range(i, i + rows):
            for c in range(done, r):
                matrix[r, c] = (matrix[r, c] - _rows_dot(matrix, r, c, c)) * matrix[c, c]
            pivot = matrix[r, r] - _rows_dot(matrix, r, r, r)
            if not pivot > 0.0:
                return False
            matrix[r, r] = 1.0 / sqrt(pivot)
    return True


@reordering_kernel
def _four_rows_dot(matrix, i, x, n):
    """Scalar products of the first n entries of rows i to i+3 with x."""
    s0 = s1 = s2 = s3 = 0.0
    for k in range(n):
        y = x[k]
        s0, s1 = s0 + matrix[i, k] * y, s1 + matrix[i + 1, k] * y
        s2, s3 = s2 + matrix[i + 2, k] * y, s3 + matrix[i + 3, k] * y
    return s0, s1, s2, s3


@kernel
def solve(lower, x):
    """Solve in place with the factor of :func:`factor`, four rows at a time."""
    n = x.size
    fours = n - n % 4
    for i in range(0, fours, 4):
        s0, s1, s2, s3 = _four_rows_dot(lower, i, x, i)
        x0 = (x[i] - s0) * lower[i, i]
        x1 = (x[i + 1] - s1 - lower[i + 1, i] * x0) * lower[i + 1, i + 1]
        x2 = (x[i + 2] - s2 - lower[i + 2, i] * x0 - lower[i + 2, i + 1] * x1) * lower[i + 2, i + 2]
        x3 = x[i + 3] - s3 - lower[i + 3, i] * x0 - lower[i + 3, i + 1] * x1 - lower[i + 3, i + 2] * x2
        x[i], x[i + 1], x[i + 2], x[i + 3] = x0, x1, x2, x3 * lower[i + 3, i + 3]
    for i in range(fours, n):
        x[i] = (x[i] - row_dot(lower, i, x, i)) * lower[i, i]
    for i in range(n - 1, fours - 1, -1):
        x[i] *= lower[i, i]
        for j in range(i):
            x[j] -= lower[i, j] * x[i]
    for i in range(fours - 4, -1, -4):
        x3 = x[i + 3] * lower[i + 3, i + 3]
        x2 = (x[i + 2] - lower[i + 3, i + 2] * x3) * lower[i + 2, i + 2]
        x1 = (x[i + 1] - lower[i + 3, i + 1] * x3 - lower[i + 2, i + 1] * x2) * lower[i + 1, i + 1]
        x0 = x[i] - lower[i + 3, i] * x3 - lower[i + 2, i] * x2 - lower[i + 1, i] * x1
        x0 *= lower[i, i]
        x[i], x[i + 1], x[i + 2], x[i + 3] = x0, x1, x2, x3
        for j in range(i):
            x[j] -= lower[i, j] * x0 + lower[i + 1, j] * x1 + lower[i + 2, j] * x2 + lower[i + 3, j] * x3
