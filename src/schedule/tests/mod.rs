//! Ticks, held against exact arithmetic.

mod schedule_exact;
