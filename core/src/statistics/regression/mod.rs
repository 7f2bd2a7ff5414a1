//! Least squares: straight lines, polynomials and multiple regression.
//!
//! Every fit is an orthogonalisation with 32 digits, so that badly conditioned designs (StRD Filip, Longley, Wampler)
//! keep all the digits that the data have. Decimals may be passed as written.

mod crossing;
mod lack_of_fit;
mod least_squares;
mod line;
mod linear_model;

pub use crossing::{Leaving, Tolerance, TolerancePassage, tolerance_passage};
pub use lack_of_fit::{LackOfFit, lack_of_fit};
pub use line::{InversePrediction, JointTest, Prediction, StraightLine};
pub use linear_model::{Coefficient, CoefficientTest, LinearModel, Terms};
