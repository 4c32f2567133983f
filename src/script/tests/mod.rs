//! The language, and what is said of wrong texts.

mod script_language;
