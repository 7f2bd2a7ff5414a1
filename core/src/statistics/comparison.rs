//! Method comparison: Deming, Passing-Bablok, Bland-Altman.
