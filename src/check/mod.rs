//! Motion against the rig: whether each move may run, and why not.
