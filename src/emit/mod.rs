//! A schedule becomes files that firmware and instruments read.
