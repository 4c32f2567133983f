//! Formats, read back by others.

mod coil_tables;
mod emit_formats;
mod packing;
mod pipeline;
