//! The schedule's own ticks played into a model of the motor.
