//! Molar masses, titration chemistries as data, corrections of volumes and masses.
