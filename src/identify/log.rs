//! Logs as scopes and meters write them: csv with a column of times and a column of
//! readings.
//!
//! Heads, units and lines of settings above the numbers are skipped; commas, semicolons and
//! tabs separate; a comma is a decimal point where semicolons or tabs separate. The columns
//! are counted from 1 or named by a head; without a word the first is time and the second
//! the reading.

use thiserror::Error;

/// Fewer readings tell nothing.
const LEAST: usize = 12;

/// Readings over time.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Log {
    /// Seconds, rising.
    pub time: Vec<f64>,
    /// What was read, in SI units once scaled.
    pub reading: Vec<f64>,
}

/// Why a log cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub(crate) enum LogError {
    /// It is not csv.
    #[error("it is not csv: {0}")]
    Csv(String),
    /// The head named is not there.
    #[error("no column is headed “{0}”")]
    Column(String),
    /// Too few lines hold numbers.
    #[error("it holds {0} lines with numbers in both columns; {LEAST} are the least")]
    Short(usize),
    /// Time stands still or runs backwards.
    #[error("time does not rise from line to line of the numbers: {0} s comes again")]
    Time(String),
}

impl Log {
    /// Reads a log; `column` is the head or the number (from 1) of the readings.
    ///
    /// # Errors
    /// It is not csv, has no such column, too few numbers, or times that do not rise.
    pub(crate) fn parse(text: &str, column: Option<&str>) -> Result<Self, LogError> {
        let separator = separator(text);
        let decimal_comma = separator != b',';
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .comment(Some(b'#'))
            .delimiter(separator)
            .from_reader(text.as_bytes());
        let number = |field: &str| -> Option<f64> {
            let field = field.trim();
            let plain = if decimal_comma {
                field.replace(',', ".")
            } else {
                field.to_owned()
            };
            plain.parse().ok().filter(|value: &f64| value.is_finite())
        };
        let counted = column.and_then(|column| column.parse::<usize>().ok());
        let mut index = counted.map_or(1, |counted| counted.saturating_sub(1));
        let mut headed = counted.is_some() || column.is_none();
        let mut log = Self::default();
        for record in reader.records() {
            let record = record.map_err(|error| LogError::Csv(error.to_string()))?;
            if let (false, Some(head)) = (headed, column)
                && let Some(at) = record.iter().position(|field| field.trim() == head)
            {
                (index, headed) = (at, true);
                continue;
            }
            let field = |index: usize| record.get(index).and_then(number);
            if let (Some(time), Some(reading)) = (field(0), field(index)) {
                log.time.push(time);
                log.reading.push(reading);
            }
        }
        if let (false, Some(column)) = (headed, column) {
            return Err(LogError::Column(column.to_owned()));
        }
        if log.time.len() < LEAST {
            return Err(LogError::Short(log.time.len()));
        }
        if let Some(pair) = log.time.windows(2).find(|pair| pair[1] <= pair[0]) {
            return Err(LogError::Time(pair[1].to_string()));
        }
        Ok(log)
    }

    /// The log with every reading multiplied.
    #[must_use]
    pub(crate) fn scaled(mut self, factor: f64) -> Self {
        for reading in &mut self.reading {
            *reading *= factor;
        }
        self
    }

    /// Pairs of time and reading.
    pub(crate) fn points(&self) -> Vec<(f64, f64)> {
        let times = self.time.iter().copied();
        times.zip(self.reading.iter().copied()).collect()
    }

    /// The log with neighbours averaged in groups of so many.
    #[must_use]
    pub(crate) fn thinned(&self, group: usize) -> Self {
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        Self {
            time: self.time.chunks(group.max(1)).map(mean).collect(),
            reading: self.reading.chunks(group.max(1)).map(mean).collect(),
        }
    }
}

/// What separates the fields: whichever of tab, semicolon and comma is on most lines.
fn separator(text: &str) -> u8 {
    let lines = |separator: char| text.lines().filter(|line| line.contains(separator)).count();
    let candidates = ['\t', ';', ','];
    let most = candidates.into_iter().map(lines).max().unwrap_or(0);
    let found = candidates.into_iter().find(|one| lines(*one) == most);
    // All three are single bytes.
    found.map_or(b',', |found| found as u8)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(make: impl Fn(usize) -> String) -> String {
        (0..20).map(make).collect()
    }

    #[test]
    fn settings_heads_and_units_above_the_numbers_are_skipped() {
        let text = format!(
            "Model,bench scope\nSample interval,1e-3\nTime,CH1,CH2\n(s),(V),(A)\n{}",
            lines(|k| format!("{:e},{},{}\n", k as f64 * 1e-3, k, 2 * k))
        );
        let log = Log::parse(&text, None).unwrap();
        assert_eq!((log.time.len(), log.reading[3]), (20, 3.0));
        assert_eq!(Log::parse(&text, Some("CH2")).unwrap().reading[3], 6.0);
        assert_eq!(Log::parse(&text, Some("3")).unwrap().reading[3], 6.0);
        assert_eq!(
            Log::parse(&text, Some("CH9")),
            Err(LogError::Column("CH9".to_owned()))
        );
    }

    #[test]
    fn a_decimal_comma_is_read_where_semicolons_separate() {
        let text = lines(|k| format!("{},5;1,25\n", k));
        let log = Log::parse(&text, None).unwrap();
        assert_eq!((log.time[2], log.reading[2]), (2.5, 1.25));
    }

    #[test]
    fn what_is_no_log_is_refused() {
        assert_eq!(Log::parse("a,b\n1,2\n", None), Err(LogError::Short(1)));
        let back = lines(|k| format!("{},1\n", 5 % (k + 1)));
        assert!(matches!(Log::parse(&back, None), Err(LogError::Time(_))));
    }
}
