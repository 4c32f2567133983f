//! A tree that is printed is read back as the same tree.

use std::fmt::Write as _;
use std::sync::Arc;

use proptest::prelude::*;

use crate::diagnostic::Span;
use crate::script::action::{Shape, Until, Way};
use crate::script::grammar;
use crate::script::syntax::{
    Addition, Block, Clause, Expression, ExpressionKind, Limit, Multiplication, Name,
    SeekStatement, SequenceDefinition, Statement, StatementKind, Text, TurnStatement, Units,
};
use crate::units::find_unit;

/// Units that are written in the random trees.
const UNITS: [&str; 7] = ["deg", "rad", "s", "ms", "mm", "microstep", "rpm"];
const NAMES: [&str; 5] = ["pocket", "speed_of_it", "x", "far", "n2"];

fn units_of(symbol: &str) -> Units {
    let unit = find_unit(symbol).unwrap();
    Units {
        factor: unit.factor,
        dimension: unit.dimension,
    }
}

fn expression_text(expression: &Expression) -> String {
    match &expression.kind {
        ExpressionKind::Number(value) => format!("{value}"),
        ExpressionKind::Measure { number, units } => {
            let known = UNITS.iter().find(|symbol| units_of(symbol) == *units);
            format!("{} {}", expression_text(number), known.unwrap())
        }
        ExpressionKind::Name(name) => name.to_string(),
        ExpressionKind::Parenthesis(inside) => format!("({})", expression_text(inside)),
        ExpressionKind::Negative(of) => format!("-{}", expression_text(of)),
        ExpressionKind::Sum(first, further) => {
            let mut text = expression_text(first);
            for (operator, part) in further {
                let sign = match operator {
                    Addition::Plus => '+',
                    Addition::Minus => '-',
                };
                let _ = write!(text, " {sign} {}", expression_text(part));
            }
            text
        }
        ExpressionKind::Product(first, further) => {
            let mut text = expression_text(first);
            for (operator, factor) in further {
                let sign = match operator {
                    Multiplication::Times => '*',
                    Multiplication::Over => '/',
                };
                let _ = write!(text, " {sign} {}", expression_text(factor));
            }
            text
        }
    }
}

fn clause_text(word: &str, clause: Option<&Clause>) -> String {
    clause.map_or_else(String::new, |clause| {
        format!(" {word} {}", expression_text(&clause.value))
    })
}

fn block_text(block: &Block) -> String {
    let inside: String = block.statements.iter().map(statement_text).collect();
    format!("{{\n{inside}}}")
}

fn name_text(name: Option<&Name>) -> String {
    name.map_or_else(String::new, |name| format!(" {}", name.text))
}

/// A statement on lines of its own.
fn statement_text(statement: &Statement) -> String {
    let keyword = statement.kind.keyword();
    let rest = match &statement.kind {
        StatementKind::Rig(text) | StatementKind::Mark(text) => format!(" \"{}\"", text.text),
        StatementKind::Let { name, value } => {
            format!(" {} = {}", name.text, expression_text(value))
        }
        StatementKind::Limit { axis, value, .. } => {
            format!("{} {}", name_text(axis.as_ref()), expression_text(value))
        }
        StatementKind::Shape(shape) => format!(" {}", shape.name()),
        StatementKind::Bands { allowed: true } => " allow".to_owned(),
        StatementKind::Bands { allowed: false } => " avoid".to_owned(),
        StatementKind::Turn(turn) => {
            let way = match turn.way {
                None => "",
                Some((Way::Clockwise, _)) => " clockwise",
                Some((Way::Counterclockwise, _)) => " counterclockwise",
                Some((Way::Shortest, _)) => " shortest",
            };
            format!(
                "{} {} {}{way}{}{}",
                name_text(turn.axis.as_ref()),
                if turn.to { "to" } else { "by" },
                expression_text(&turn.target.value),
                clause_text("at", turn.at.as_deref()),
                clause_text("in", turn.time.as_deref()),
            )
        }
        StatementKind::Dwell(time) => format!(" {}", expression_text(time)),
        StatementKind::DwellUntilSettled => " until settled".to_owned(),
        StatementKind::Output { name, on, passing } => {
            let state = if *on { "on" } else { "off" };
            let passing = clause_text("passing", passing.as_deref());
            format!(" {} {state}{passing}", name.text)
        }
        StatementKind::Await {
            name,
            until,
            timeout,
        } => {
            let until = match until {
                Until::Active => "",
                Until::Released => " released",
                Until::Pressed => " pressed",
            };
            let timeout = clause_text("timeout", timeout.as_deref());
            format!(" {}{until}{timeout}", name.text)
        }
        StatementKind::Seek(seek) => {
            let released = if seek.released { " released" } else { "" };
            format!(
                "{} by {} until {}{released}{}",
                name_text(seek.axis.as_ref()),
                expression_text(&seek.distance.value),
                seek.input.text,
                clause_text("at", seek.at.as_deref()),
            )
        }
        StatementKind::Zero { axis, at } => {
            name_text(axis.as_ref()) + &clause_text("at", at.as_deref())
        }
        StatementKind::Repeat { count, body } => {
            format!(" {} {}", expression_text(count), block_text(body))
        }
        StatementKind::RepeatForever(body) => format!(" forever {}", block_text(body)),
        StatementKind::Sequence(sequence) => {
            let names = sequence.parameters.iter().map(|name| &*name.text);
            let names: Vec<&str> = names.collect();
            let body = block_text(&sequence.body);
            format!(" {}({}) {body}", sequence.name.text, names.join(", "))
        }
        StatementKind::Do {
            name, arguments, ..
        } => {
            let values: Vec<String> = arguments.iter().map(expression_text).collect();
            format!(" {}({})", name.text, values.join(", "))
        }
        StatementKind::Together(block) | StatementKind::Through(block) => {
            format!(" {}", block_text(block))
        }
        StatementKind::Broken { .. } => panic!("broken"),
    };
    format!("{keyword}{rest}\n")
}

fn expression(kind: ExpressionKind) -> Expression {
    let span = Span::default();
    Expression { span, kind }
}

fn name() -> impl Strategy<Value = Name> {
    prop::sample::select(NAMES.to_vec()).prop_map(|text| Name {
        text: Arc::from(text),
        span: Span::default(),
    })
}

/// Trees as the grammar builds them: the factors of a product in front of a unit are one
/// number to it, so a product here holds no plain numbers.
fn expressions() -> impl Strategy<Value = Expression> {
    let number =
        || (0..9999_u32).prop_map(|number| ExpressionKind::Number(f64::from(number) / 8.0));
    let measure = (number(), prop::sample::select(UNITS.to_vec())).prop_map(|(number, symbol)| {
        ExpressionKind::Measure {
            number: Box::new(expression(number)),
            units: units_of(symbol),
        }
    });
    let named = || name().prop_map(|name| ExpressionKind::Name(name.text));
    let leaf = prop_oneof![number(), measure, named()].prop_map(expression);
    leaf.prop_recursive(4, 24, 3, move |inner| {
        let inside = inner
            .clone()
            .prop_map(|of| expression(ExpressionKind::Parenthesis(Box::new(of))));
        let factor = prop_oneof![named().prop_map(expression), inside.clone()];
        let operators = prop::sample::select(vec![Multiplication::Times, Multiplication::Over]);
        let signs = prop::sample::select(vec![Addition::Plus, Addition::Minus]);
        let product = (
            factor.clone(),
            prop::collection::vec((operators, factor.clone()), 1..3),
        )
            .prop_map(|(first, further)| ExpressionKind::Product(Box::new(first), further));
        let sum = (
            factor.clone(),
            prop::collection::vec((signs, factor.clone()), 1..3),
        )
            .prop_map(|(first, further)| ExpressionKind::Sum(Box::new(first), further));
        let negative = factor.prop_map(|of| ExpressionKind::Negative(Box::new(of)));
        prop_oneof![
            inside,
            prop_oneof![product, sum, negative].prop_map(expression)
        ]
    })
}

fn clause() -> impl Strategy<Value = Option<Box<Clause>>> {
    prop::option::of(expressions().prop_map(|value| {
        Box::new(Clause {
            keyword: Span::default(),
            value,
        })
    }))
}

fn statement(kind: StatementKind) -> Statement {
    Statement {
        span: Span::default(),
        keyword: Span::default(),
        line: 0,
        kind,
    }
}

fn text() -> impl Strategy<Value = Text> {
    "[ -!#-~]{0,12}".prop_map(|text| Text {
        text: Arc::from(text),
        span: Span::default(),
    })
}

/// A value behind the name of an axis begins with a digit, as another name there would be
/// taken for the value.
fn limits() -> impl Strategy<Value = StatementKind> {
    let limits = [
        Limit::Speed,
        Limit::Accel,
        Limit::Decel,
        Limit::Jerk,
        Limit::Start,
    ];
    let limit = prop::sample::select(limits.to_vec());
    let value = (1..999_u32, prop::sample::select(UNITS.to_vec())).prop_map(|(number, symbol)| {
        let number = Box::new(expression(ExpressionKind::Number(f64::from(number))));
        let units = units_of(symbol);
        expression(ExpressionKind::Measure { number, units })
    });
    (limit, prop::option::of(name()), value).prop_map(|(limit, axis, value)| StatementKind::Limit {
        limit,
        axis,
        value,
    })
}

fn turns() -> impl Strategy<Value = StatementKind> {
    let ways = [Way::Clockwise, Way::Counterclockwise, Way::Shortest];
    let way = prop::option::of(prop::sample::select(ways.to_vec()));
    let axis = prop::option::of(name());
    (axis, any::<bool>(), expressions(), way, clause(), clause()).prop_map(
        |(axis, to, value, way, at, time)| {
            let keyword = Span::default();
            StatementKind::Turn(TurnStatement {
                axis,
                to,
                target: Clause { keyword, value },
                way: way.map(|way| (way, keyword)),
                at,
                time,
            })
        },
    )
}

fn seeks() -> impl Strategy<Value = StatementKind> {
    let axis = prop::option::of(name());
    (axis, expressions(), name(), any::<bool>(), clause()).prop_map(
        |(axis, value, input, released, at)| {
            let keyword = Span::default();
            StatementKind::Seek(SeekStatement {
                axis,
                distance: Clause { keyword, value },
                input,
                released,
                at,
            })
        },
    )
}

fn statements() -> impl Strategy<Value = Statement> {
    let shapes = [Shape::Trapezoid, Shape::SCurve, Shape::FullTorque];
    let named =
        (name(), expressions()).prop_map(|(name, value)| StatementKind::Let { name, value });
    let outputs = (name(), any::<bool>(), clause())
        .prop_map(|(name, on, passing)| StatementKind::Output { name, on, passing });
    let awaits = (name(), prop::sample::select(Until::ALL.to_vec()), clause()).prop_map(
        |(name, until, timeout)| StatementKind::Await {
            name,
            until,
            timeout,
        },
    );
    let calls =
        (name(), prop::collection::vec(expressions(), 0..3)).prop_map(|(name, arguments)| {
            StatementKind::Do {
                name,
                arguments,
                call: Span::default(),
            }
        });
    let leaf = prop_oneof![
        text().prop_map(StatementKind::Rig),
        text().prop_map(StatementKind::Mark),
        named,
        limits(),
        prop::sample::select(shapes.to_vec()).prop_map(StatementKind::Shape),
        any::<bool>().prop_map(|allowed| StatementKind::Bands { allowed }),
        turns(),
        expressions().prop_map(StatementKind::Dwell),
        Just(StatementKind::DwellUntilSettled),
        outputs,
        awaits,
        seeks(),
        (prop::option::of(name()), clause())
            .prop_map(|(axis, at)| StatementKind::Zero { axis, at }),
        calls,
    ]
    .prop_map(statement);
    leaf.prop_recursive(3, 24, 4, |inner| {
        let block = prop::collection::vec(inner, 0..4).prop_map(|statements| Block {
            statements,
            span: Span::default(),
        });
        let repeats = (expressions(), block.clone())
            .prop_map(|(count, body)| StatementKind::Repeat { count, body });
        let endless = block.clone().prop_map(StatementKind::RepeatForever);
        let parameters = prop::collection::vec(name(), 0..3);
        let sequences = (name(), parameters, block.clone()).prop_map(|(name, parameters, body)| {
            StatementKind::Sequence(Arc::new(SequenceDefinition {
                name,
                parameters,
                body,
            }))
        });
        prop_oneof![
            repeats,
            endless,
            sequences,
            block.clone().prop_map(StatementKind::Together),
            block.prop_map(StatementKind::Through),
        ]
        .prop_map(statement)
    })
}

/// The tree as the debugger shows it, without places.
fn bare(tree: &[Statement]) -> String {
    let shown = format!("{tree:#?}");
    let mut in_span = false;
    let kept = shown.lines().filter(|line| {
        let line = line.trim();
        // A span stands on four lines of its own.
        let begins = line.ends_with("Span {");
        let was_in_span = in_span;
        in_span = begins || (in_span && !line.starts_with('}'));
        !(begins || was_in_span || line.starts_with("line: "))
    });
    kept.map(|line| format!("{line}\n")).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_printed_tree_is_read_back(tree in prop::collection::vec(statements(), 0..5)) {
        let printed: String = tree.iter().map(statement_text).collect();
        let mut read = Vec::new();
        let errors = grammar::read(&printed, &mut |statement| read.push(statement));
        prop_assert_eq!(errors, [], "{}", printed);
        prop_assert_eq!(bare(&read), bare(&tree), "{}", printed);
    }
}

#[test]
fn places_are_left_out_of_what_is_compared_and_nothing_else() {
    let mut read = Vec::new();
    let text = "turn by 3 deg at 5 rpm\n";
    let errors = grammar::read(text, &mut |statement| read.push(statement));
    assert_eq!(errors, []);
    let bare = bare(&read);
    assert!(!bare.contains("Span") && !bare.contains("start"), "{bare}");
    for part in ["TurnStatement", "3.0", "factor", "at: Some", "time: None"] {
        assert!(bare.contains(part), "{part} in {bare}");
    }
    assert!(bare.contains("5.0"));
}
