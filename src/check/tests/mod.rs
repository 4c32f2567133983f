//! What a check costs.

mod planning_cost;
