//! Tests of a study.
