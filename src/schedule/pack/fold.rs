//! Folding: what a list does over and over is kept once, with a count.

/// The longest period that is looked for.
const LONGEST_PERIOD: usize = 64;

/// What can be folded.
pub(crate) trait Fold: Sized {
    /// Whether the two do the same.
    fn same(&self, other: &Self) -> bool;
    /// `body`, so many times.
    fn repeat(count: u32, body: Vec<Self>) -> Self;
    /// How deep repeats are nested in it.
    fn depth(&self) -> usize;
}

/// Folds repetitions, short periods first, each pass over the result of the one
/// before, until nothing repeats or repeats are nested `most_nested` deep.
pub(crate) fn fold<T: Fold>(mut list: Vec<T>, most_nested: usize) -> Vec<T> {
    for _ in 0..most_nested {
        let before = list.len();
        for period in 1..=LONGEST_PERIOD.min(list.len() / 2) {
            list = fold_period(list, period, most_nested);
        }
        if list.len() == before {
            break;
        }
    }
    list
}

fn fold_period<T: Fold>(list: Vec<T>, period: usize, most_nested: usize) -> Vec<T> {
    // How many items from each on equal the item one period later.
    let mut equal = vec![0usize; list.len()];
    for k in (0..list.len().saturating_sub(period)).rev() {
        if list[k].same(&list[k + period]) {
            equal[k] = equal[k + 1] + 1;
        }
    }
    let mut folded = Vec::with_capacity(list.len());
    let mut rest = list.into_iter();
    let mut at = 0;
    while at < equal.len() {
        let more = u32::try_from(equal[at] / period).unwrap_or(u32::MAX - 1);
        let length = period * (more as usize + 1);
        // A repeat costs a little itself: one item has to come three times.
        if more == 0 || period == 1 && more < 2 {
            folded.extend(rest.next());
            at += 1;
            continue;
        }
        let mut body: Vec<T> = rest.by_ref().take(length).collect();
        at += length;
        if body[..period]
            .iter()
            .any(|item| item.depth() >= most_nested)
        {
            folded.append(&mut body);
            continue;
        }
        body.truncate(period);
        folded.push(T::repeat(more + 1, body));
    }
    folded
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, Clone, PartialEq)]
    enum Item {
        One(u8),
        Many(u32, Vec<Item>),
    }

    impl Fold for Item {
        fn same(&self, other: &Self) -> bool {
            self == other
        }

        fn repeat(count: u32, body: Vec<Self>) -> Self {
            Self::Many(count, body)
        }

        fn depth(&self) -> usize {
            match self {
                Self::One(_) => 0,
                Self::Many(_, body) => 1 + body.iter().map(Self::depth).max().unwrap_or(0),
            }
        }
    }

    fn unfolded(items: &[Item], out: &mut Vec<u8>) {
        for item in items {
            match item {
                Item::One(value) => out.push(*value),
                Item::Many(count, body) => (0..*count).for_each(|_| unfolded(body, out)),
            }
        }
    }

    #[test]
    fn nested_repeats_are_found_and_unfold_to_the_same() {
        let text: Vec<u8> = b"abbbc".repeat(7).into_iter().chain(*b"xyxyxyz").collect();
        let folded = fold(text.iter().map(|&c| Item::One(c)).collect(), 4);
        assert!(folded.len() <= 4, "{folded:?}");
        let mut out = Vec::new();
        unfolded(&folded, &mut out);
        assert_eq!(out, text);
    }

    #[test]
    fn nothing_is_nested_deeper_than_allowed() {
        let folded = fold(b"aab".repeat(64).into_iter().map(Item::One).collect(), 1);
        assert!(folded.iter().all(|item| item.depth() <= 1));
    }
}
