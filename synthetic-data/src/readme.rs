//! The words that go with a delivery.

/// Text of `README.txt`.
pub(crate) const README: &str = "\
INVENTED DATA

Everything in this folder is made up by a program. No person, clinic, clinician or hearing aid in it
is real, and no figure in it may be quoted as a finding about real ones.

fittings.csv, ears.csv, responses.csv and outcomes.csv make up a delivery of fitting records. Every row of
fittings.csv says so again in its column x_data.

datapackage.json describes the four tables for any reader of Frictionless Data Packages: columns, types, units, ranges
and keys.

truth.json states what was planted: the size of each effect, each clinic and clinician as they were
drawn, and the rows that break a rule on purpose, counted by table and rule.

Thresholds follow ISO 7029:2000 by age and sex, moved towards what a clinic sees. Targets at an input level of
65 dB SPL follow NAL-R (Byrne & Dillon 1986). Targets at other levels, and the unaided ear-canal
response behind targets in dB SPL, are invented and belong to no published prescription.
";
