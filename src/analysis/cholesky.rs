//! Cholesky factors of small positive definite matrices, many thousand a second.
//!
//! linfa-linalg does the fits whose digits are reported. Weighing the structures takes thousands of solves of some ten
//! unknowns for one study; there the views and allocations around each element cost several times the arithmetic, so
//! the inner loops stand here on flat memory.

/// L with L L' = A, row by row.
#[derive(Clone, Debug)]
pub struct Factor {
    rows: Vec<f64>,
    size: usize,
}

impl Factor {
    /// Factors the symmetric matrix whose lower triangle `entry(i, j)`, j <= i, gives; `None` if it is not positive
    /// definite or not finite.
    pub fn new(size: usize, entry: impl Fn(usize, usize) -> f64) -> Option<Self> {
        let mut rows = vec![0.0; size * size];
        for i in 0..size {
            let (done, now) = rows.split_at_mut(i * size);
            for j in 0..i {
                let other = &done[j * size..j * size + j + 1];
                now[j] = (entry(i, j) - dot(&now[..j], &other[..j])) / other[j];
            }
            let pivot = entry(i, i) - dot(&now[..i], &now[..i]);
            if !(pivot > 0.0 && pivot.is_finite()) {
                return None;
            }
            now[i] = pivot.sqrt();
        }
        Some(Self { rows, size })
    }

    fn row(&self, i: usize) -> &[f64] {
        &self.rows[i * self.size..i * self.size + i + 1]
    }

    /// ln det A.
    pub fn ln_det(&self) -> f64 {
        (0..self.size).map(|i| 2.0 * self.row(i)[i].ln()).sum()
    }

    /// b := L^-1 b.
    pub fn forward(&self, b: &mut [f64]) {
        for i in 0..self.size {
            let row = self.row(i);
            b[i] = (b[i] - dot(&row[..i], &b[..i])) / row[i];
        }
    }

    /// b := L'^-1 b.
    pub fn backward(&self, b: &mut [f64]) {
        for i in (0..self.size).rev() {
            let row = self.row(i);
            b[i] /= row[i];
            let value = b[i];
            b[..i].iter_mut().zip(row).for_each(|(b, l)| *b -= l * value);
        }
    }

    /// L b.
    pub fn times(&self, b: &[f64]) -> Vec<f64> {
        (0..self.size).map(|i| dot(self.row(i), &b[..=i])).collect()
    }

    /// A^-1, row by row.
    pub fn inverse(&self) -> Vec<Vec<f64>> {
        (0..self.size)
            .map(|i| {
                let mut unit = vec![0.0; self.size];
                unit[i] = 1.0;
                self.forward(&mut unit);
                self.backward(&mut unit);
                unit
            })
            .collect()
    }
}

/// Eight sums side by side, because one sum must be added up in order and leaves most of the processor idle.
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (a8, a_rest) = a.as_chunks::<8>();
    let (b8, b_rest) = b.as_chunks::<8>();
    let mut sums = [0.0; 8];
    for (a, b) in a8.iter().zip(b8) {
        for i in 0..8 {
            sums[i] += a[i] * b[i];
        }
    }
    // Both are of the same length, so what is left over of one goes with what is left over of the other.
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum();
    sums.iter().sum::<f64>() + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    /// [[4, 2], [2, 5]] = [[2, 0], [1, 2]] [[2, 0], [1, 2]]', determinant 16. By hand.
    #[test]
    fn by_hand() {
        let a = [[4.0, 2.0], [2.0, 5.0]];
        let factor = Factor::new(2, |i, j| a[i][j]).unwrap();
        assert_eq!(factor.rows, [2.0, 0.0, 1.0, 2.0]);
        assert!((factor.ln_det() - 16f64.ln()).abs() < 1e-15);
        let mut b = [8.0, 12.0];
        factor.forward(&mut b);
        factor.backward(&mut b);
        assert_eq!(b, [1.0, 2.0]);
        assert_eq!(factor.times(&[1.0, 1.0]), [2.0, 3.0]);
        assert_eq!(factor.inverse(), [[0.3125, -0.125], [-0.125, 0.25]]);
        assert!(Factor::new(2, |_, _| 1.0).is_none(), "singular");
        assert!(Factor::new(1, |_, _| f64::NAN).is_none());
    }
}
