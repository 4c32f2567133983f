//! What a rig can do.
