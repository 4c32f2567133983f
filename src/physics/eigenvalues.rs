//! Eigenvalues of small matrices, found in a bounded number of rounds.

use nalgebra::allocator::Allocator;
use nalgebra::{Complex, DefaultAllocator, Dim, DimDiff, DimSub, OMatrix, OVector, Schur, U1};

/// Rounds of the QR algorithm, at most: chosen; a matrix of four rows takes about ten.
const ROUNDS: usize = 1000;

/// The eigenvalues of `matrix`; none where it holds what is no number, or where they are not
/// found.
pub(super) fn eigenvalues<D>(matrix: OMatrix<f64, D, D>) -> Option<OVector<Complex<f64>, D>>
where
    D: Dim + DimSub<U1>,
    DefaultAllocator:
        Allocator<D, DimDiff<D, U1>> + Allocator<DimDiff<D, U1>> + Allocator<D, D> + Allocator<D>,
{
    let finite = matrix.iter().all(|entry| entry.is_finite());
    let schur = Schur::try_new(matrix, f64::EPSILON, ROUNDS);
    finite.then_some(schur?.complex_eigenvalues())
}

#[cfg(test)]
mod tests {
    use nalgebra::Matrix3;

    use super::*;

    /// A rotation by 90° about an axis, and what is no matrix at all.
    #[test]
    fn eigenvalues_are_found_or_not_and_never_sought_for_ever() {
        let turn = Matrix3::new(0.0, -1.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 2.0);
        let mut parts: Vec<f64> = eigenvalues(turn).unwrap().iter().map(|s| s.im).collect();
        parts.sort_by(f64::total_cmp);
        assert_eq!(parts, [-1.0, 0.0, 1.0]);
        for odd in [f64::NAN, f64::INFINITY] {
            assert_eq!(eigenvalues(Matrix3::repeat(odd)), None);
        }
    }
}
