use super::*;

#[test]
fn a_parameter_outside_its_range_is_refused_by_name() {
    let error = StudentT::new(0.0).unwrap_err();
    assert_eq!(error.to_string(), "degrees of freedom must be greater than 0 and at most 1e12, got 0");
    assert!(StudentT::new(f64::NAN).is_err());
    assert!(ChiSquared::new(-1.0).is_err());
    assert!(FisherF::new(f64::INFINITY, 3.0).is_err());
    assert!(Binomial::new(0, 0.5).is_err());
    assert!(Binomial::new(5, 1.0).is_err());
    assert!(Normal.quantile(1.0).is_err());
    assert!(ln_gamma(0.0).is_err());
    assert!(regularised_incomplete_beta(1.0, 1.0, 1.5).is_err());
}

#[test]
fn an_infinite_number_of_degrees_of_freedom_gives_the_limit() {
    let t = StudentT::new(f64::INFINITY).unwrap();
    assert_eq!(t.upper_quantile(0.025).unwrap(), Normal.upper_quantile(0.025).unwrap());
    let f = FisherF::new(4.0, f64::INFINITY).unwrap();
    let chi = ChiSquared::new(4.0).unwrap();
    assert!((f.sf(2.0) - chi.sf(8.0)).abs() < 1e-15);
    assert!((f.upper_quantile(0.05).unwrap() - chi.upper_quantile(0.05).unwrap() / 4.0).abs() < 1e-13);
}

#[test]
fn the_binomial_quantile_is_the_smallest_count_that_reaches_the_probability() {
    // scipy.stats.binom.ppf(0.975, 50, 0.1) = 9 and isf(0.025, 50, 0.1) = 9; cdf(9) = 0.97546, cdf(8) = 0.94213.
    let binomial = Binomial::new(50, 0.1).unwrap();
    assert_eq!(binomial.quantile(0.975).unwrap(), 9);
    assert_eq!(binomial.upper_quantile(0.025).unwrap(), 9);
    let total: f64 = (0..=50).map(|k| binomial.pmf(k)).sum();
    assert!((total - 1.0).abs() < 1e-14);
}

#[test]
fn far_tails_keep_their_digits() {
    // mpmath 1.3.0, 60 digits: erfc(37/sqrt 2)/2, and Cauchy's tail 1/(pi t) for t = 1e200.
    assert!((Normal.sf(37.0) / 5.725_571_222_524_577e-300 - 1.0).abs() < 1e-12);
    let cauchy = StudentT::new(1.0).unwrap();
    assert!((cauchy.sf(1e200) * std::f64::consts::PI * 1e200 - 1.0).abs() < 1e-12);
    assert!((cauchy.upper_quantile(1e-200).unwrap() / (1e200 / std::f64::consts::PI) - 1.0).abs() < 1e-12);
}
