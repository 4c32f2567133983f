//! The language, and what is said of wrong texts.

mod printed;
mod script_language;
