"""Linear equations with complex coefficients: dense Gaussian elimination, for circuits of some tens of nodes."""

from collections.abc import Sequence

from meterlink.core.errors import InputError


class Factors:
    """The factors of a square matrix (PA = LU, partial pivoting), to solve for many right-hand sides.

    Gaussian elimination as in any textbook on numerical linear algebra. Rows that have a zero in the pivot's column are
    skipped: the matrices of circuits are mostly zeros.

    Raises:
        InputError: the matrix is singular.
    """

    def __init__(self, matrix: Sequence[Sequence[complex]]) -> None:
        rows = [list(row) for row in matrix]
        size = len(rows)
        self._order = list(range(size))
        for column in range(size):
            pivot_row = max(range(column, size), key=lambda row: abs(rows[row][column]))
            pivot = rows[pivot_row][column]
            if pivot == 0:
                raise InputError("The circuit has no unique solution.", "Check its wires and values.")
            rows[column], rows[pivot_row] = rows[pivot_row], rows[column]
            self._order[column], self._order[pivot_row] = self._order[pivot_row], self._order[column]
            upper = [(index, value) for index, value in enumerate(rows[column]) if index > column and value]
            for row in rows[column + 1 :]:
                if row[column]:
                    factor = row[column] = row[column] / pivot
                    for index, value in upper:
                        row[index] -= factor * value
        self._pivots = [row[number] for number, row in enumerate(rows)]
        # Of each row, the entries that are not zero, left and right of the pivot.
        self._lower = [
            [(index, row[index]) for index in range(number) if row[index]] for number, row in enumerate(rows)
        ]
        self._upper = [
            [(index, row[index]) for index in range(number + 1, size) if row[index]] for number, row in enumerate(rows)
        ]

    def solve(self, right: Sequence[complex]) -> list[complex]:
        """Return x of A·x = ``right``."""
        solution = [right[row] for row in self._order]
        for number, entries in enumerate(self._lower):
            for index, value in entries:
                solution[number] -= value * solution[index]
        for number in reversed(range(len(solution))):
            for index, value in self._upper[number]:
                solution[number] -= value * solution[index]
            solution[number] /= self._pivots[number]
        return solution
