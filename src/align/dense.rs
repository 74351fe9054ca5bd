//! Small dense real linear algebra for the fit: column-major matrices, Householder QR, Cholesky, and the
//! singular values by one-sided Jacobi rotations.
//!
//! Sizes: thousands of rows, tens of columns. One-sided Jacobi is kept because it finds even the small singular
//! values of a badly scaled matrix to high relative accuracy, and the small ones are those that tell what the
//! data cannot see.
//!
//! References: Golub & Van Loan, Matrix Computations, ch. 4, 5, 8; Demmel & Veselić 1992, Jacobi's method is more
//! accurate than QR (cited from memory).

use std::ops::{Index, IndexMut};

/// A real matrix, stored by columns.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Matrix {
    rows: usize,
    cols: usize,
    data: Vec<f64>,
}

impl Matrix {
    /// All zeros.
    #[must_use]
    pub fn zeros(rows: usize, cols: usize) -> Self {
        Self {
            rows,
            cols,
            data: vec![0.0; rows * cols],
        }
    }

    /// Ones on the diagonal.
    #[must_use]
    pub fn identity(n: usize) -> Self {
        Self::from_fn(n, n, |i, j| if i == j { 1.0 } else { 0.0 })
    }

    /// Entry (row, column) from a function.
    #[must_use]
    pub fn from_fn(rows: usize, cols: usize, mut entry: impl FnMut(usize, usize) -> f64) -> Self {
        let mut matrix = Self::zeros(rows, cols);
        for j in 0..cols {
            for i in 0..rows {
                matrix[(i, j)] = entry(i, j);
            }
        }
        matrix
    }

    /// Makes it a zero matrix of the given size; keeps the memory.
    pub fn reset(&mut self, rows: usize, cols: usize) {
        self.rows = rows;
        self.cols = cols;
        self.data.clear();
        self.data.resize(rows * cols, 0.0);
    }

    /// Number of rows.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Number of columns.
    #[must_use]
    pub fn cols(&self) -> usize {
        self.cols
    }

    /// Column `j`.
    #[must_use]
    pub fn column(&self, j: usize) -> &[f64] {
        &self.data[j * self.rows..(j + 1) * self.rows]
    }

    /// Column `j`, to be changed.
    pub fn column_mut(&mut self, j: usize) -> &mut [f64] {
        &mut self.data[j * self.rows..(j + 1) * self.rows]
    }

    /// All entries, column after column.
    #[must_use]
    pub fn entries(&self) -> &[f64] {
        &self.data
    }

    /// All entries, column after column, to be changed.
    pub fn entries_mut(&mut self) -> &mut [f64] {
        &mut self.data
    }

    /// Whether no entry is infinite or not a number.
    #[must_use]
    pub fn is_finite(&self) -> bool {
        self.data.iter().all(|entry| entry.is_finite())
    }

    /// A·x. `x` has one entry per column.
    #[must_use]
    pub fn times(&self, x: &[f64]) -> Vec<f64> {
        let mut product = vec![0.0; self.rows];
        for (j, &factor) in x.iter().enumerate().take(self.cols) {
            for (sum, entry) in product.iter_mut().zip(self.column(j)) {
                *sum += factor * entry;
            }
        }
        product
    }

    /// Aᵀ·x. `x` has one entry per row.
    #[must_use]
    pub fn transposed_times(&self, x: &[f64]) -> Vec<f64> {
        (0..self.cols).map(|j| dot(self.column(j), x)).collect()
    }

    /// AᵀA.
    #[must_use]
    pub fn gram(&self) -> Self {
        let mut gram = Self::zeros(self.cols, self.cols);
        for j in 0..self.cols {
            for i in 0..=j {
                let product = dot(self.column(i), self.column(j));
                gram[(i, j)] = product;
                gram[(j, i)] = product;
            }
        }
        gram
    }
}

impl Index<(usize, usize)> for Matrix {
    type Output = f64;
    fn index(&self, (i, j): (usize, usize)) -> &f64 {
        &self.data[j * self.rows + i]
    }
}

impl IndexMut<(usize, usize)> for Matrix {
    fn index_mut(&mut self, (i, j): (usize, usize)) -> &mut f64 {
        &mut self.data[j * self.rows + i]
    }
}

/// Scalar product. Eight partial sums, so that it runs in vector registers.
#[must_use]
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0_f64; 8];
    let (a_blocks, b_blocks) = (a.chunks_exact(8), b.chunks_exact(8));
    let tail: f64 = a_blocks
        .remainder()
        .iter()
        .zip(b_blocks.remainder())
        .map(|(x, y)| x * y)
        .sum();
    for (x, y) in a_blocks.zip(b_blocks) {
        for (sum, (x, y)) in sums.iter_mut().zip(x.iter().zip(y)) {
            *sum += x * y;
        }
    }
    sums.iter().sum::<f64>() + tail
}

/// Euclidean length, safe against overflow and underflow of the squares.
#[must_use]
pub fn norm(x: &[f64]) -> f64 {
    let largest = x
        .iter()
        .fold(0.0_f64, |largest, entry| largest.max(entry.abs()));
    if largest == 0.0 || !largest.is_finite() {
        return largest;
    }
    if (1e-140..1e140).contains(&largest) {
        return dot(x, x).sqrt();
    }
    largest
        * x.iter()
            .map(|entry| (entry / largest).powi(2))
            .sum::<f64>()
            .sqrt()
}

/// Upper triangle R (columns × columns) of A = Q·R, and the first entries of Qᵀ·b, one per column of A.
///
/// With fewer rows than columns the missing rows of R and entries of Qᵀb are zero. What is left of b has the
/// length of the smallest residual, which the caller does not need.
#[must_use]
pub fn triangularise(mut a: Matrix, mut b: Vec<f64>) -> (Matrix, Vec<f64>) {
    let (m, n) = (a.rows(), a.cols());
    b.resize(m, 0.0);
    for k in 0..n.min(m) {
        let length = norm(&a.column(k)[k..]);
        if length == 0.0 {
            continue;
        }
        let diagonal = if a[(k, k)] > 0.0 { -length } else { length };
        // Householder vector with first entry 1; beta = 2/(vᵀv).
        let first = a[(k, k)] - diagonal;
        let beta = -first / diagonal;
        let mut vector: Vec<f64> = a.column(k)[k..].iter().map(|entry| entry / first).collect();
        vector[0] = 1.0;
        for j in k + 1..n {
            reflect(&vector, beta, &mut a.column_mut(j)[k..]);
        }
        reflect(&vector, beta, &mut b[k..]);
        a[(k, k)] = diagonal;
    }
    let r = Matrix::from_fn(n, n, |i, j| if i <= j && i < m { a[(i, j)] } else { 0.0 });
    b.resize(n, 0.0);
    (r, b)
}

fn reflect(vector: &[f64], beta: f64, target: &mut [f64]) {
    let factor = beta * dot(vector, target);
    for (entry, v) in target.iter_mut().zip(vector) {
        *entry -= factor * v;
    }
}

/// A = U·diag(s)·Vᵀ; `u` has A's size, singular values descend.
#[derive(Debug, Clone)]
pub struct Svd {
    /// Left singular vectors, by columns; zero columns where the singular value is zero.
    pub u: Matrix,
    /// Singular values, descending.
    pub s: Vec<f64>,
    /// Right singular vectors, by columns.
    pub v: Matrix,
}

/// Singular value decomposition by one-sided Jacobi rotations. For a tall matrix triangularise it first and pass R.
#[must_use]
pub fn svd(a: &Matrix) -> Svd {
    const SWEEPS: usize = 60;
    let n = a.cols();
    let mut u = a.clone();
    let mut v = Matrix::identity(n);
    for _ in 0..SWEEPS {
        let mut rotated = false;
        for p in 0..n {
            for q in p + 1..n {
                let alpha = dot(u.column(p), u.column(p));
                let beta = dot(u.column(q), u.column(q));
                let gamma = dot(u.column(p), u.column(q));
                // Columns count as orthogonal at the rounding of their own scalar product.
                if gamma == 0.0 || gamma.abs() <= f64::EPSILON * (alpha * beta).sqrt() {
                    continue;
                }
                rotated = true;
                let zeta = (beta - alpha) / (2.0 * gamma);
                let t = zeta.signum() / (zeta.abs() + (1.0 + zeta * zeta).sqrt());
                let c = 1.0 / (1.0 + t * t).sqrt();
                rotate(&mut u, p, q, c, c * t);
                rotate(&mut v, p, q, c, c * t);
            }
        }
        if !rotated {
            break;
        }
    }
    let length: Vec<f64> = (0..n).map(|j| norm(u.column(j))).collect();
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|&i, &j| length[j].total_cmp(&length[i]));
    Svd {
        u: Matrix::from_fn(a.rows(), n, |i, j| {
            let source = order[j];
            if length[source] > 0.0 {
                u[(i, source)] / length[source]
            } else {
                0.0
            }
        }),
        v: Matrix::from_fn(n, n, |i, j| v[(i, order[j])]),
        s: order.iter().map(|&j| length[j]).collect(),
    }
}

fn rotate(matrix: &mut Matrix, p: usize, q: usize, c: f64, s: f64) {
    let rows = matrix.rows;
    let (head, tail) = matrix.data.split_at_mut(q * rows);
    let first = &mut head[p * rows..(p + 1) * rows];
    for (x, y) in first.iter_mut().zip(&mut tail[..rows]) {
        (*x, *y) = (c * *x - s * *y, s * *x + c * *y);
    }
}

/// Cholesky factor of a symmetric positive definite matrix, with the diagonal scaled to one first.
#[derive(Debug, Clone)]
pub struct Cholesky {
    factor: Matrix,
    scale: Vec<f64>,
}

impl Cholesky {
    /// Factorises; `None` if the matrix is not positive definite to within rounding, or not finite.
    #[must_use]
    pub fn new(a: &Matrix) -> Option<Self> {
        let (factor, smallest) = Self::factorise(a, 0.0)?;
        // Below this the smallest pivot of the unit-diagonal matrix is rounding alone.
        let noise = f64::EPSILON * 4.0 * a.cols() as f64;
        (smallest > noise).then_some(factor)
    }

    /// Factorises a positive semidefinite matrix: pivots of the unit-diagonal matrix below `floor` are set to
    /// `floor`, a zero diagonal counts as `floor`. `None` only if an entry is not finite.
    #[must_use]
    pub fn with_floor(a: &Matrix, floor: f64) -> Option<Self> {
        Self::factorise(a, floor).map(|(factor, _)| factor)
    }

    fn factorise(a: &Matrix, floor: f64) -> Option<(Self, f64)> {
        let n = a.cols();
        if !a.is_finite() {
            return None;
        }
        let scale: Vec<f64> = (0..n)
            .map(|j| {
                let diagonal = a[(j, j)].max(floor);
                if diagonal > 0.0 { diagonal.sqrt() } else { 1.0 }
            })
            .collect();
        let mut l = Matrix::zeros(n, n);
        let mut smallest = f64::INFINITY;
        for j in 0..n {
            for i in j..n {
                let mut sum = a[(i, j)] / (scale[i] * scale[j]);
                for k in 0..j {
                    sum -= l[(i, k)] * l[(j, k)];
                }
                if i == j {
                    smallest = smallest.min(sum);
                    let pivot = sum.max(floor);
                    if pivot <= 0.0 {
                        return None;
                    }
                    l[(j, j)] = pivot.sqrt();
                } else {
                    l[(i, j)] = sum / l[(j, j)];
                }
            }
        }
        Some((Self { factor: l, scale }, smallest))
    }

    /// Natural logarithm of the determinant.
    #[must_use]
    pub fn log_det(&self) -> f64 {
        (0..self.scale.len())
            .map(|j| 2.0 * (self.factor[(j, j)].ln() + self.scale[j].ln()))
            .sum()
    }

    /// L⁻¹·b, whose length squared is bᵀA⁻¹b.
    #[must_use]
    pub fn half_solve(&self, b: &[f64]) -> Vec<f64> {
        let n = self.scale.len();
        let mut x: Vec<f64> = b.iter().zip(&self.scale).map(|(b, s)| b / s).collect();
        for i in 0..n {
            for k in 0..i {
                x[i] -= self.factor[(i, k)] * x[k];
            }
            x[i] /= self.factor[(i, i)];
        }
        x
    }

    /// A⁻¹·b.
    #[must_use]
    pub fn solve(&self, b: &[f64]) -> Vec<f64> {
        let n = self.scale.len();
        let mut x = self.half_solve(b);
        for i in (0..n).rev() {
            for k in i + 1..n {
                x[i] -= self.factor[(k, i)] * x[k];
            }
            x[i] /= self.factor[(i, i)];
        }
        for (x, s) in x.iter_mut().zip(&self.scale) {
            *x /= s;
        }
        x
    }

    /// A⁻¹.
    #[must_use]
    pub fn inverse(&self) -> Matrix {
        let n = self.scale.len();
        let mut inverse = Matrix::zeros(n, n);
        let mut unit = vec![0.0; n];
        for j in 0..n {
            unit[j] = 1.0;
            inverse.column_mut(j).copy_from_slice(&self.solve(&unit));
            unit[j] = 0.0;
        }
        symmetrise(&mut inverse);
        inverse
    }
}

fn symmetrise(matrix: &mut Matrix) {
    for j in 0..matrix.cols() {
        for i in 0..j {
            let mean = 0.5 * (matrix[(i, j)] + matrix[(j, i)]);
            matrix[(i, j)] = mean;
            matrix[(j, i)] = mean;
        }
    }
}

/// (RᵀR)⁻¹ of an upper triangle R, without forming RᵀR; `None` where R is singular to within rounding once its
/// columns are scaled to unit length.
#[must_use]
pub fn inverse_of_gram(r: &Matrix) -> Option<Matrix> {
    let n = r.cols();
    let scale: Vec<f64> = (0..n).map(|j| norm(r.column(j))).collect();
    if !r.is_finite() || scale.contains(&0.0) {
        return None;
    }
    let parts = svd(&Matrix::from_fn(n, n, |i, j| r[(i, j)] / scale[j]));
    let (largest, smallest) = (parts.s.first()?, parts.s.last()?);
    if *smallest <= f64::EPSILON * 4.0 * n as f64 * largest {
        return None;
    }
    let mut inverse = Matrix::from_fn(n, n, |i, j| {
        (0..n)
            .map(|k| parts.v[(i, k)] * parts.v[(j, k)] / (parts.s[k] * parts.s[k]))
            .sum::<f64>()
            / (scale[i] * scale[j])
    });
    symmetrise(&mut inverse);
    Some(inverse)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::align::chance::Chance;

    fn random(rows: usize, cols: usize, seed: u64) -> Matrix {
        let mut chance = Chance::new(seed);
        Matrix::from_fn(rows, cols, |_, _| chance.normal())
    }

    fn largest_difference(a: &Matrix, b: &Matrix) -> f64 {
        a.entries()
            .iter()
            .zip(b.entries())
            .fold(0.0, |worst, (x, y)| worst.max((x - y).abs()))
    }

    #[test]
    fn triangle_has_the_gram_matrix_of_the_original() {
        // DERIVED: RᵀR = AᵀA and Rᵀ(Qᵀb) = Aᵀb. 1e-12: rounding of 40-term sums of entries about 1, generously.
        let a = random(40, 7, 1);
        let b: Vec<f64> = random(40, 1, 2).column(0).to_vec();
        let (r, q) = triangularise(a.clone(), b.clone());
        assert!(largest_difference(&r.gram(), &a.gram()) < 1e-12);
        for (left, right) in r.transposed_times(&q).iter().zip(a.transposed_times(&b)) {
            assert!((left - right).abs() < 1e-12);
        }
    }

    #[test]
    fn triangle_of_a_wide_matrix_is_padded_with_zeros() {
        let a = random(2, 4, 3);
        let (r, q) = triangularise(a.clone(), vec![1.0, -2.0]);
        assert_eq!((r.rows(), r.cols(), q.len()), (4, 4, 4));
        assert!(largest_difference(&r.gram(), &a.gram()) < 1e-13);
        assert_eq!(q[2..], [0.0, 0.0]);
    }

    #[test]
    fn singular_values_of_a_graded_matrix_keep_relative_accuracy() {
        // DERIVED: columns q_j·10^(-4j) with orthonormal q_j have exactly these singular values. Relative 1e-13:
        // q_j are orthonormal to a few ulp. A method through AᵀA would lose all of them below 1e-8.
        let orthonormal = svd(&random(6, 4, 4)).u;
        let graded = Matrix::from_fn(6, 4, |i, j| {
            orthonormal[(i, j)] * 10_f64.powi(-4 * j as i32)
        });
        let parts = svd(&graded);
        for (j, s) in parts.s.iter().enumerate() {
            let expected = 10_f64.powi(-4 * j as i32);
            assert!((s / expected - 1.0).abs() < 1e-13, "{j}: {s}");
        }
    }

    #[test]
    fn svd_rebuilds_the_matrix_and_sees_rank_loss() {
        let mut a = random(8, 5, 5);
        let copy = a.column(1).to_vec();
        a.column_mut(4).copy_from_slice(&copy);
        let parts = svd(&a);
        let rebuilt = Matrix::from_fn(8, 5, |i, j| {
            (0..5)
                .map(|k| parts.u[(i, k)] * parts.s[k] * parts.v[(j, k)])
                .sum()
        });
        // 1e-13: rounding of a five-term sum of entries about 3.
        assert!(largest_difference(&a, &rebuilt) < 1e-13);
        assert!(parts.s[4] < 1e-14 * parts.s[0]);
        assert!(parts.s[3] > 0.1);
    }

    #[test]
    fn cholesky_inverts_and_finds_the_determinant() {
        // DERIVED: [[4, 2], [2, 3]]: determinant 8, inverse [[3, -2], [-2, 4]]/8.
        let a = Matrix::from_fn(2, 2, |i, j| [[4.0, 2.0], [2.0, 3.0]][i][j]);
        let factor = Cholesky::new(&a).unwrap();
        assert!((factor.log_det() - 8_f64.ln()).abs() < 1e-15);
        let expected = Matrix::from_fn(2, 2, |i, j| [[0.375, -0.25], [-0.25, 0.5]][i][j]);
        assert!(largest_difference(&factor.inverse(), &expected) < 1e-15);
        assert!((factor.solve(&[8.0, 0.0])[0] - 3.0).abs() < 1e-14);
    }

    #[test]
    fn singular_matrices_are_refused_or_floored_never_divided_by() {
        let singular = Matrix::from_fn(2, 2, |_, _| 1.0);
        assert!(Cholesky::new(&singular).is_none());
        assert!(Cholesky::with_floor(&singular, 1e-12).is_some());
        assert!(inverse_of_gram(&singular).is_none());
        let empty = Matrix::zeros(2, 2);
        assert!(Cholesky::new(&empty).is_none());
        assert!(
            Cholesky::with_floor(&empty, 1e-12)
                .unwrap()
                .log_det()
                .is_finite()
        );
        let broken = Matrix::from_fn(2, 2, |_, _| f64::NAN);
        assert!(Cholesky::with_floor(&broken, 1e-12).is_none());
    }

    #[test]
    fn length_survives_squares_that_overflow() {
        assert!((norm(&[3e200, 4e200]) / 5e200 - 1.0).abs() < 1e-15);
        assert!((norm(&[3e-200, 4e-200]) / 5e-200 - 1.0).abs() < 1e-15);
        assert!(norm(&[]).abs() < f64::MIN_POSITIVE);
    }
}
