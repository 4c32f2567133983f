//! Folds actions that repeat.

use super::{HeaderAction, HeaderActionKind};

/// Longest stretch of actions that is folded; `which` of a repeat holds it.
pub(super) const LONGEST: usize = 200;

/// The same actions, with every stretch that follows itself written once, and a
/// repeat behind it. Repeats do not nest.
pub(super) fn fold(actions: &[HeaderAction]) -> Vec<HeaderAction> {
    let mut folded = Vec::new();
    let mut at = 0;
    while at < actions.len() {
        let best = (1..=LONGEST.min((actions.len() - at) / 2))
            .map(|length| (length, times(&actions[at..], length)))
            .filter(|(length, times)| length * (times - 1) > 1)
            .max_by_key(|(length, times)| (length * (times - 1), usize::MAX - length));
        let Some((length, times)) = best else {
            folded.push(actions[at]);
            at += 1;
            continue;
        };
        folded.extend_from_slice(&actions[at..at + length]);
        folded.push(HeaderAction {
            kind: HeaderActionKind::Repeat,
            // At most LONGEST, and fewer actions than a u32 holds.
            which: length as u8,
            value: (times - 1) as u32,
            wait: 0,
        });
        at += length * times;
    }
    folded
}

/// How often the first `length` actions follow each other.
fn times(actions: &[HeaderAction], length: usize) -> usize {
    let body = &actions[..length];
    1 + actions[length..]
        .chunks_exact(length)
        .take_while(|next| *next == body)
        .count()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plays(numbers: &[u32]) -> Vec<HeaderAction> {
        let play = |value: &u32| HeaderAction {
            kind: HeaderActionKind::Play,
            which: 0,
            value: *value,
            wait: 7,
        };
        numbers.iter().map(play).collect()
    }

    fn unfold(actions: &[HeaderAction]) -> Vec<HeaderAction> {
        let mut all: Vec<HeaderAction> = Vec::new();
        for action in actions {
            if action.kind == HeaderActionKind::Repeat {
                let body = all[all.len() - usize::from(action.which)..].to_vec();
                all.extend(body.repeat(action.value as usize));
            } else {
                all.push(*action);
            }
        }
        all
    }

    #[test]
    fn what_is_folded_unfolds_to_the_same() {
        for numbers in [
            vec![],
            vec![1, 2, 3],
            vec![1, 1],
            vec![1, 1, 1, 1],
            vec![9, 1, 2, 1, 2, 1, 2, 3, 3, 3, 1, 2, 1],
        ] {
            let actions = plays(&numbers);
            let folded = fold(&actions);
            assert_eq!(unfold(&folded), actions);
            assert!(folded.len() <= actions.len());
        }
        let many = plays(&[1, 2, 3].repeat(10_000));
        assert_eq!(fold(&many).len(), 4);
    }
}
