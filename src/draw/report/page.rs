//! What a page says, without how it is marked up: sections made of tables, plots,
//! findings and texts.

use crate::draw::Chart;

/// A whole page.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// What the page is about, such as the name of the script.
    pub(crate) title: String,
    /// A line above the title.
    pub(crate) about: String,
    /// The answer.
    pub(crate) answer: PageAnswer,
    /// The figures that go with the answer.
    pub(crate) figures: Vec<PageFigure>,
    /// The rest, in order.
    pub(crate) sections: Vec<Section>,
    /// When the moves happen, for the instant that all plots share.
    pub(crate) instants: Instants,
    /// The last line.
    pub(crate) footer: String,
    /// What has changed since the page was written before; empty: nothing is known of that.
    pub(crate) news: String,
    /// Set where the page is written again and again: which writing this is. An open
    /// page looks for another one and loads it.
    pub(crate) revision: Option<String>,
}

/// The weight of a statement, shown as a colour beside the words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tone {
    /// All is well.
    Good,
    /// With warnings.
    Doubtful,
    /// It must not run.
    Bad,
    /// Neither.
    Plain,
}

/// The answer in a word and a sentence.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PageAnswer {
    /// Its weight.
    pub tone: Tone,
    /// In a word or two.
    pub word: String,
    /// In a sentence or two.
    pub sentences: Vec<String>,
}

/// A figure that stands out: what it is, how much, and a word more.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PageFigure {
    /// What it is.
    pub name: String,
    /// How much.
    pub value: String,
    /// A word more; may be empty.
    pub note: String,
}

/// A part of the page under a heading.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Section {
    /// Its name in links.
    pub id: &'static str,
    /// Its heading.
    pub heading: String,
    /// What it holds.
    pub blocks: Vec<PageBlock>,
}

/// What sections are made of.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum PageBlock {
    /// A paragraph.
    Text(String),
    /// How to use what follows, of no use on paper or without the page's script.
    Hint(String),
    /// Names with values.
    Facts(Vec<(String, String)>),
    /// A table.
    Table(PageTable),
    /// A plot with the same values as a table.
    Plot(Box<PagePlot>),
    /// The errors of the stops of an axis.
    Stops(PageStops),
    /// Something found, with cures.
    Finding(PageFinding),
    /// What can hurt.
    Caution(Vec<String>),
    /// A file as it was read: its name and text.
    Source(String, String),
    /// A problem drawn with the lines it speaks of.
    Problem(String),
}

/// Something found.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PageFinding {
    /// Its weight.
    pub tone: Tone,
    /// How much it weighs, in words.
    pub weight: &'static str,
    /// Where: a line, an axis.
    pub place: String,
    /// The kind.
    pub code: String,
    /// What it is.
    pub message: String,
    /// What would cure it; each alone is enough.
    pub cures: Vec<String>,
    /// Why it matters, in paragraphs.
    pub explanation: Vec<String>,
}

/// A table.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct PageTable {
    /// What it shows.
    pub caption: String,
    /// Heads of the columns.
    pub columns: Vec<Column>,
    /// Its rows; the first cell names the row.
    pub rows: Vec<Vec<Cell>>,
    /// The number of each row in [`Instants`], where rows light up while the instant lies
    /// in one of their moves; else empty.
    pub follows: Vec<usize>,
}

/// A column's head.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Column {
    /// What stands in it.
    pub head: String,
    /// Whether it holds numbers, which stand right-aligned.
    pub number: bool,
}

impl Column {
    /// A column of words.
    pub(crate) fn words(head: impl Into<String>) -> Self {
        Self {
            head: head.into(),
            number: false,
        }
    }

    /// A column of numbers.
    pub(crate) fn numbers(head: impl Into<String>) -> Self {
        Self {
            head: head.into(),
            number: true,
        }
    }
}

/// A cell of a table.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Cell {
    /// What stands in it.
    pub text: String,
    /// Its weight.
    pub tone: Tone,
    /// An instant (s) that the reader can go to.
    pub at: Option<f64>,
}

impl<T: Into<String>> From<T> for Cell {
    fn from(text: T) -> Self {
        Self {
            text: text.into(),
            tone: Tone::Plain,
            at: None,
        }
    }
}

/// A plot.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PagePlot {
    /// What is drawn. The colour of a series is its place in the page's palette.
    pub chart: Chart,
    /// Whether it gets more height.
    pub tall: bool,
    /// What it shows, in a sentence for those who do not see it.
    pub description: String,
    /// What is to be read off it, below its title; may be empty.
    pub note: String,
    /// What can be read at an instant.
    pub live: Vec<Live>,
    /// Whether the horizontal axis is time.
    pub over_time: bool,
    /// Whether the vertical axis fits what is shown of the time; else it stays.
    pub rescales: bool,
    /// The same as a table.
    pub table: Option<PageTable>,
}

/// The errors of the stops of an axis.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PageStops {
    /// Whose.
    pub title: String,
    /// What they come to, in a sentence.
    pub says: String,
    /// Whether they lie on a circle; else on a line.
    pub round: bool,
    /// Degrees or millimetres.
    pub unit: &'static str,
    /// The greatest error of all.
    pub most: f64,
    /// By their places.
    pub bars: Vec<StopBar>,
    /// The same as a table.
    pub table: PageTable,
}

/// A stop: the true place less the one asked for (in the unit of the axis).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct StopBar {
    /// Where it is.
    pub place: f64,
    /// What rounding to steps leaves.
    pub rounded: f64,
    /// The same on half steps, where the drive takes full ones.
    pub on_half_steps: Option<f64>,
    /// Where the rotor comes to rest in the motor model; none where it was not played.
    pub at_rest: Option<f64>,
}

impl StopBar {
    /// The greatest of its errors.
    pub(crate) fn most(&self) -> f64 {
        let errors = [Some(self.rounded), self.on_half_steps, self.at_rest];
        let sizes = errors.into_iter().flatten().map(f64::abs);
        sizes.fold(0.0, f64::max)
    }
}

/// A curve that can be read at an instant.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Live {
    /// What it is.
    pub name: String,
    /// Unit of what runs upwards.
    pub unit: String,
    /// Unit of what runs to the right.
    pub across: String,
    /// Its place in the page's palette.
    pub colour: usize,
    /// The series of the chart whose legend shows the value.
    pub series: usize,
    /// Time, place to the right, place upwards; times never fall.
    pub samples: Vec<(f64, f64, f64)>,
}

/// When the moves happen.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Instants {
    /// The last instant that the plots know of (s).
    pub end: f64,
    /// The last one that they show at first (s).
    pub first: f64,
    /// The moves by their start.
    pub moves: Vec<MoveInstants>,
}

/// When one move happens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct MoveInstants {
    /// Its start (s).
    pub from: f64,
    /// Its end (s).
    pub to: f64,
    /// Its line in the script.
    pub line: usize,
    /// Its row in the table that follows, if it has one.
    pub row: Option<usize>,
}
