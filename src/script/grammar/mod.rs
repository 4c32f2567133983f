//! Text → [tree](super::syntax). Functions carry the names of the rules of
//! `grammar.md`.
//!
//! A statement that cannot be read is noted and skipped to the end of its line, with
//! the braces that it opens, so that one run finds independent errors. Blocks,
//! parentheses and signs may be nested [`DEEPEST`] deep; that bounds the recursion
//! of everything that walks the tree.

mod expression;
mod lexical;
mod statement;

use std::cell::{Cell, RefCell};

use nom::{IResult, Input as _, Parser};
use nom_locate::LocatedSpan;

use super::MOST_ERRORS;
use super::error::{ErrorKind, Expected, ScriptError};
use super::syntax::{Block, Defined, Statement, StatementKind};
use crate::diagnostic::Span;
use lexical::{empty_lines, expect, line_end, sign, skip_blank, word};

pub(super) use expression::is_unit;
pub(crate) use lexical::RESERVED;
pub(crate) use statement::STATEMENTS;

/// How deep blocks, parentheses and signs may be nested.
pub(super) const DEEPEST: usize = 64;

/// The text that is still to be read.
type Input<'a> = LocatedSpan<&'a str, Extra<'a>>;

type Parsed<'a, T> = IResult<Input<'a>, T, ScriptError>;

/// What goes along with the text.
#[derive(Debug, Clone, Copy)]
struct Extra<'a> {
    noted: &'a ErrorsSoFar,
    /// How many blocks, parentheses and signs are open.
    depth: usize,
}

/// The errors so far.
#[derive(Debug, Default)]
struct ErrorsSoFar {
    errors: RefCell<Vec<ScriptError>>,
    /// A missing brace has been reported, which explains all others.
    unclosed: Cell<bool>,
    /// How many opening braces are missing so far, each of which explains a brace that
    /// opens a line or closes nothing.
    unopened: Cell<usize>,
}

impl ErrorsSoFar {
    fn note(&self, error: ScriptError) {
        self.errors.borrow_mut().push(error);
    }

    fn enough(&self) -> bool {
        self.errors.borrow().len() >= MOST_ERRORS
    }

    /// Whether a missing opening brace explains one more brace.
    fn explains_brace(&self) -> bool {
        let unopened = self.unopened.get();
        self.unopened.set(unopened.saturating_sub(1));
        unopened > 0
    }
}

/// Reads a script: hands on its statements outside all blocks one after the other, so that
/// they need not all be kept; gives what is wrong with the text.
pub(super) fn read(text: &str, take: &mut dyn FnMut(Statement)) -> Vec<ScriptError> {
    let noted = ErrorsSoFar::default();
    let extra = Extra {
        noted: &noted,
        depth: 0,
    };
    script(LocatedSpan::new_extra(text, extra), take);
    noted.errors.into_inner()
}

/// `script = { line-end | statement line-end }`
fn script(mut input: Input<'_>, take: &mut dyn FnMut(Statement)) {
    loop {
        let rest = statements(input, take);
        // What is left begins with a brace that closes nothing.
        let Ok((behind, _)) = sign('}').parse(rest) else {
            return;
        };
        let noted = input.extra.noted;
        if noted.enough() {
            return;
        }
        if !noted.explains_brace() {
            noted.note(ScriptError::new(
                span_between(skip_blank(rest), behind),
                ErrorKind::UnmatchedBrace,
            ));
        }
        input = behind;
    }
}

/// The statements up to a closing brace or the end of the text; gives what comes there.
fn statements<'a>(mut input: Input<'a>, take: &mut dyn FnMut(Statement)) -> Input<'a> {
    let noted = input.extra.noted;
    loop {
        input = empty_lines(input);
        if input.fragment().is_empty() || input.fragment().starts_with('}') || noted.enough() {
            return input;
        }
        // A brace on a line of its own belongs to the statement that lacks it.
        if input.fragment().starts_with('{')
            && noted.explains_brace()
            && let Ok((rest, body)) = block(input)
        {
            body.statements.into_iter().for_each(&mut *take);
            input = rest;
            continue;
        }
        match statement::statement(input) {
            Ok((rest, mut statement)) => {
                let following = statement::words_behind(&statement.kind);
                match expect(Expected::LineEnd(following), line_end).parse(rest) {
                    Ok((behind, ())) => {
                        take(statement);
                        input = behind;
                    }
                    Err(error) => {
                        note(noted, error);
                        let (behind, body) = skip_line(rest);
                        // In front of a decimal comma stands another value than is meant.
                        if rest.fragment().starts_with(',') {
                            statement.kind = StatementKind::Broken {
                                defines: defined(input),
                                body: Vec::new(),
                            };
                        }
                        take(statement);
                        body.into_iter().for_each(&mut *take);
                        input = behind;
                    }
                }
            }
            Err(error) => {
                if lacks_brace(&error) && line_length(input.fragment(), false).1.is_empty() {
                    noted.unopened.set(noted.unopened.get() + 1);
                }
                note(noted, error);
                let defines = defined(input);
                let (rest, body) = skip_line(input);
                take(Statement {
                    span: span_between(input, rest),
                    keyword: span_between(input, input),
                    line: line(input),
                    kind: StatementKind::Broken { defines, body },
                });
                input = rest;
            }
        }
    }
}

fn note(noted: &ErrorsSoFar, error: nom::Err<ScriptError>) {
    // Every parser here works on complete text, which is never `Incomplete`.
    if let nom::Err::Error(error) | nom::Err::Failure(error) = error {
        noted.note(error);
    }
}

/// Whether a block begins without its brace.
fn lacks_brace(error: &nom::Err<ScriptError>) -> bool {
    let (nom::Err::Error(error) | nom::Err::Failure(error)) = error else {
        return false;
    };
    matches!(
        *error.kind,
        ErrorKind::Unexpected {
            expected: Expected::OpeningBrace,
            ..
        }
    )
}

/// `block = "{" { line-end | statement line-end } "}"`
fn block(input: Input<'_>) -> Parsed<'_, Block> {
    let start = skip_blank(input);
    let (inside, _) = expect(Expected::OpeningBrace, sign('{')).parse(start)?;
    let brace = span_between(start, inside);
    let mut found = Vec::new();
    let rest = statements(deeper(inside, brace)?, &mut |statement| {
        found.push(statement)
    });
    let noted = input.extra.noted;
    let rest = match sign('}').parse(rest) {
        Ok((rest, _)) => rest,
        Err(_) => {
            if !noted.unclosed.replace(true) && !noted.enough() {
                let end = Span::new(offset(rest), offset(rest));
                noted.note(ScriptError::new(brace, ErrorKind::UnclosedBlock { end }));
            }
            rest
        }
    };
    let rest = back_up(rest, input);
    let block = Block {
        statements: found,
        span: span_between(start, rest),
    };
    Ok((rest, block))
}

/// Goes on behind the line of a statement that could not be read. Where the line
/// opens a block, its statements are read for the errors in them.
fn skip_line(input: Input<'_>) -> (Input<'_>, Vec<Statement>) {
    let (length, open) = line_length(input.fragment(), input.extra.depth > 0);
    if let [brace] = open[..]
        && let Ok((rest, body)) = block(input.take_from(brace))
    {
        return (rest, body.statements);
    }
    let mut rest = input.take_from(length);
    if !open.is_empty() {
        rest = rest.take_from(block_length(rest.fragment(), open.len()));
    }
    (rest, Vec::new())
}

/// How long the line is, or what of it comes before a brace that closes the block
/// around it; and where it opens blocks that it does not close.
fn line_length(text: &str, in_block: bool) -> (usize, Vec<usize>) {
    let mut open = Vec::new();
    for (at, character) in code(text) {
        match character {
            '\n' => return (at, open),
            '{' => open.push(at),
            '}' if open.pop().is_none() && in_block => return (at, open),
            _ => {}
        }
    }
    (text.len(), open)
}

/// How much of the text it takes to close so many blocks.
fn block_length(text: &str, mut open: usize) -> usize {
    for (at, character) in code(text) {
        match character {
            '{' => open += 1,
            '}' => open -= 1,
            _ => {}
        }
        if open == 0 {
            return at + 1;
        }
    }
    text.len()
}

/// The characters that are neither in a text nor in a comment.
fn code(text: &str) -> impl Iterator<Item = (usize, char)> {
    let (mut in_text, mut in_comment) = (false, false);
    text.char_indices().filter(move |(_, character)| {
        match character {
            '\n' => (in_text, in_comment) = (false, false),
            '"' if !in_comment => in_text = !in_text,
            '#' if !in_text => in_comment = true,
            _ => {}
        }
        !in_text && !in_comment
    })
}

/// What the statement at the start of `input` would have defined.
fn defined(input: Input<'_>) -> Option<Defined> {
    let (rest, keyword) = word(input).ok()?;
    let define = match &*keyword.text {
        "let" => Defined::Value,
        "sequence" => Defined::Sequence,
        _ => return None,
    };
    word(rest).ok().map(|(_, name)| define(name))
}

/// `input` one block, parenthesis or sign deeper.
fn deeper<'a>(mut input: Input<'a>, opening: Span) -> Result<Input<'a>, nom::Err<ScriptError>> {
    if input.extra.depth >= DEEPEST {
        return Err(nom::Err::Failure(ScriptError::new(
            opening,
            ErrorKind::TooDeep,
        )));
    }
    input.extra.depth += 1;
    Ok(input)
}

/// `rest` as deep as `around`.
fn back_up<'a>(mut rest: Input<'a>, around: Input<'a>) -> Input<'a> {
    rest.extra = around.extra;
    rest
}

/// Where in the text `input` begins.
fn offset(input: Input<'_>) -> usize {
    input.location_offset()
}

/// Line of the start of `input`, from 1.
fn line(input: Input<'_>) -> usize {
    input.location_line() as usize
}

/// From the start of one input to the start of another.
fn span_between(start: Input<'_>, end: Input<'_>) -> Span {
    Span::new(offset(start), offset(end))
}

impl<'a> nom::error::ParseError<Input<'a>> for ScriptError {
    fn from_error_kind(input: Input<'a>, _: nom::error::ErrorKind) -> Self {
        // Parsers that can fail in front of the user are wrapped in `expect`, which
        // says what was expected; this only steers from one alternative to the next.
        let here = Span::new(offset(input), offset(input));
        Self::new(here, ErrorKind::Alternative)
    }

    fn append(_: Input<'a>, _: nom::error::ErrorKind, other: Self) -> Self {
        other
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn braces_in_texts_and_comments_do_not_count() {
        let text = "mark \"{ } #\" { # } {\nnext";
        assert_eq!(line_length(text, true), (text.len() - 5, vec![13]));
        assert_eq!(line_length("turn } rest\n", true), (5, vec![]));
        assert_eq!(line_length("turn } rest\n", false), (11, vec![]));
        assert_eq!(block_length("a { \"}\" }\n# }\n} b", 1), 15);
    }

    #[test]
    fn every_node_knows_its_place() {
        let text = "repeat 2 {\r\n  turn arm by 3 * 4 deg at 5 deg/s\n}";
        let mut statements = Vec::new();
        let errors = read(text, &mut |statement| statements.push(statement));
        assert_eq!(errors, []);
        let written = |span: Span| &text[span.start()..span.end()];
        assert_eq!(written(statements[0].span), text);
        let StatementKind::Repeat { count, body } = &statements[0].kind else {
            panic!("{statements:?}")
        };
        assert_eq!(written(count.span), "2");
        assert!(written(body.span).starts_with('{') && written(body.span).ends_with('}'));
        let inner = &body.statements[0];
        assert_eq!((inner.line, written(inner.keyword)), (2, "turn"));
        let StatementKind::Turn(turn) = &inner.kind else {
            panic!("{inner:?}")
        };
        assert_eq!(
            turn.axis.as_ref().map(|axis| written(axis.span)),
            Some("arm")
        );
        assert_eq!(written(turn.target.value.span), "3 * 4 deg");
        assert_eq!(
            turn.at.as_ref().map(|at| written(at.span())),
            Some("at 5 deg/s")
        );
    }
}
