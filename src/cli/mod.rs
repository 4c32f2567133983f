//! The commands. Only this part prints, and only this part knows paths.

pub mod files;
