//! Special functions of the acoustic elements, and numbers that carry a derivative.

pub mod beta;
pub mod deviates;
pub mod hyperbolic;
pub mod loss;
pub mod number;
pub mod probability;
pub mod quadrature;
pub mod struve;

pub use hyperbolic::cosh_sinhc;
pub use loss::{LossRatio, round_loss, round_ratio, round_ratio_with, slit_loss, slit_ratio};
pub use number::{Dual, Field};
pub use quadrature::gauss_legendre;
pub use struve::struve_h1;
