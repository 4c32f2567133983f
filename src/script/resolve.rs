//! Tree → [operations](Operation): names get their values, expressions are computed,
//! and everything that can be wrong is found.
//!
//! Outside sequences every value is constant, so a block is resolved once however
//! often it is repeated, and its moves share their [`Settings`]. The body of a
//! sequence is resolved twice over: once with unknown parameters, which finds what is
//! wrong however it is called, and once for each different [`Call`].

use std::collections::HashMap;
use std::sync::Arc;

use super::MOST_ERRORS;
use super::action::{
    Action, ActionKind, Move, MovePace, Seek, Settings, SpeedLimits, Target, Zero,
};
use super::demand::Wanted;
use super::error::{Duplicate, ErrorKind, ScriptError};
use super::expression::{NoValue, Value, evaluate};
use super::group::{self, Group};
use super::operation::{Call, EndlessPlace, Operation, Operations};
use super::scope::{Binding, Definitions, Scope, duplicate};
use super::syntax::{
    Block, Clause, Defined, Expression, Limit, Name, SeekStatement, SequenceDefinition, Statement,
    StatementKind, TurnStatement,
};
use super::turn::{speed_error, way_error};
use crate::diagnostic::Span;
use crate::units::Quantity;

/// Resolves the statements outside all blocks, one after the other.
#[derive(Default)]
pub(super) struct Outermost {
    operations: Vec<Operation>,
    settings: Arc<Settings>,
    /// The statement that repeats without end, once it has come.
    endless: Option<Span>,
}

impl Outermost {
    /// Resolves the next statement; what it defines is added to `definitions`.
    pub(super) fn statement(
        &mut self,
        statement: &Statement,
        definitions: &mut Definitions,
        errors: &mut Vec<ScriptError>,
    ) {
        match (&statement.kind, self.endless) {
            // What a sequence defines may stand anywhere.
            (StatementKind::Sequence(_) | StatementKind::Broken { .. }, _) | (_, None) => {}
            (_, Some(endless)) => {
                let kind = ErrorKind::BehindForever { endless };
                errors.push(ScriptError::new(statement.keyword, kind));
            }
        }
        if matches!(statement.kind, StatementKind::RepeatForever(_)) {
            self.endless = self.endless.or(Some(statement.keyword));
        }
        let settings = std::mem::take(&mut self.settings);
        let mut resolver = Resolver::new(definitions, usize::MAX, settings);
        let defined = resolver.statement(statement, &mut self.operations);
        self.settings = resolver.settings;
        errors.append(&mut resolver.errors);
        if let Some((name, binding)) = defined {
            definitions.values.insert(name, binding);
        }
    }

    /// What they come down to.
    pub(super) fn operations(self) -> Operations {
        Arc::new(self.operations)
    }
}

/// Resolves the body of a sequence with parameters that are not known.
pub(super) fn check_sequence(
    sequence: &SequenceDefinition,
    definitions: &Definitions,
    errors: &mut Vec<ScriptError>,
) {
    let mut resolver = Resolver::new(definitions, sequence.name.span.start(), Arc::default());
    for parameter in &sequence.parameters {
        let value = Value::Unknown;
        let span = parameter.span;
        match resolver.scope.get(&parameter.text) {
            Some(first) => {
                let error = duplicate(Duplicate::Parameter, parameter, first.span);
                resolver.errors.push(error);
            }
            None => {
                let name = Arc::clone(&parameter.text);
                resolver.scope.local.insert(name, Binding { value, span });
            }
        }
    }
    resolver.block(&sequence.body);
    errors.append(&mut resolver.errors);
}

/// Resolves the body of a sequence for one call.
///
/// # Errors
/// What is wrong with these values; never empty.
pub(super) fn resolve_call(
    call: &Call,
    definitions: &Definitions,
) -> Result<Operations, Vec<ScriptError>> {
    let sequence = &definitions.sequences[call.sequence];
    let mut resolver = Resolver::new(
        definitions,
        sequence.name.span.start(),
        Arc::clone(&call.settings),
    );
    for (parameter, value) in sequence.parameters.iter().zip(&call.arguments) {
        let value = Value::Known(*value);
        let span = parameter.span;
        let name = Arc::clone(&parameter.text);
        resolver.scope.local.insert(name, Binding { value, span });
    }
    let operations = resolver.block(&sequence.body);
    if resolver.errors.is_empty() {
        Ok(operations)
    } else {
        Err(resolver.errors)
    }
}

struct Resolver<'a> {
    scope: Scope<'a>,
    settings: Arc<Settings>,
    /// The braces around, none outside all blocks.
    block: Option<Span>,
    /// The group around.
    group: Option<Group>,
    errors: Vec<ScriptError>,
}

impl<'a> Resolver<'a> {
    fn new(definitions: &'a Definitions, before: usize, settings: Arc<Settings>) -> Self {
        let scope = Scope {
            definitions,
            before,
            local: HashMap::new(),
        };
        Self {
            scope,
            settings,
            block: None,
            group: None,
            errors: Vec::new(),
        }
    }

    /// Resolves a block; what it defines and sets ends with it.
    fn block(&mut self, block: &Block) -> Operations {
        let around = self.block.replace(block.span);
        let settings = Arc::clone(&self.settings);
        let mut operations = self.statements(&block.statements);
        operations.shrink_to_fit();
        self.settings = settings;
        self.block = around;
        Arc::new(operations)
    }

    fn statements(&mut self, statements: &[Statement]) -> Vec<Operation> {
        let mut operations = Vec::new();
        let mut defined = Vec::new();
        for statement in statements {
            // More are not reported.
            if self.errors.len() >= MOST_ERRORS {
                break;
            }
            if let Some((name, binding)) = self.statement(statement, &mut operations) {
                defined.push(Arc::clone(&name));
                self.scope.local.insert(name, binding);
            }
        }
        for name in defined {
            self.scope.local.remove(&name);
        }
        operations
    }

    /// Resolves one statement; gives what it defines.
    fn statement(
        &mut self,
        statement: &Statement,
        operations: &mut Vec<Operation>,
    ) -> Option<(Arc<str>, Binding)> {
        match &statement.kind {
            StatementKind::Let { name, value } => {
                let value = self.value(value).map_or(Value::Unknown, Value::Known);
                return self.defined(name, value);
            }
            StatementKind::Broken { defines, body } => match defines {
                Some(Defined::Value(name)) => return self.defined(name, Value::Unknown),
                // Its parameters are not known, so every use of one would be an error.
                Some(Defined::Sequence(_)) => {}
                None => drop(self.statements(body)),
            },
            StatementKind::Rig(_) | StatementKind::Sequence(_) => self.outside_blocks(statement),
            StatementKind::Limit { limit, axis, value } => {
                self.limit(statement, *limit, axis.as_ref(), value)
            }
            StatementKind::Shape(shape) => Arc::make_mut(&mut self.settings).shape = *shape,
            StatementKind::Bands { allowed } => {
                Arc::make_mut(&mut self.settings).bands_allowed = *allowed
            }
            StatementKind::Repeat { count, body } => {
                let count = self.wanted(count, Wanted::Count, statement.keyword);
                let body = self.block(body);
                // The count is a whole number from 0 to 10^12.
                let count = count.map_or(0, |count| count.si as u64);
                if count > 0 && !body.is_empty() {
                    operations.push(Operation::Repeat(count, body));
                }
            }
            StatementKind::RepeatForever(body) => self.forever(statement, body, operations),
            StatementKind::Do {
                name,
                arguments,
                call,
            } => {
                if let Some(called) = self.call(name, arguments, *call) {
                    operations.push(Operation::Call(Arc::new(called), statement.span));
                }
            }
            _ => operations.extend(self.action(statement).map(Operation::Act)),
        }
        None
    }

    /// What repeats without end stands outside all blocks, and does something.
    fn forever(&mut self, statement: &Statement, body: &Block, operations: &mut Vec<Operation>) {
        if let Some(block) = self.block {
            let block = Span::new(block.start(), block.start() + 1);
            let kind = ErrorKind::ForeverInBlock { block };
            self.errors.push(ScriptError::new(statement.keyword, kind));
        }
        let body = self.block(body);
        if body.is_empty() && self.errors.is_empty() {
            let kind = ErrorKind::NothingForever;
            self.errors.push(ScriptError::new(statement.keyword, kind));
        }
        let place = EndlessPlace {
            span: statement.keyword,
            line: statement.line,
        };
        operations.push(Operation::Forever(body, place));
    }

    /// Statements that ask for an action.
    fn action(&mut self, statement: &Statement) -> Option<Action> {
        let keyword = statement.keyword;
        let kind = match &statement.kind {
            StatementKind::Turn(turn) => ActionKind::Move(self.turn(turn, keyword)?),
            StatementKind::Dwell(time) => {
                ActionKind::Dwell(self.wanted(time, Wanted::Wait, keyword)?.si)
            }
            StatementKind::DwellUntilSettled => ActionKind::DwellUntilSettled,
            StatementKind::Output { name, on, passing } => {
                if let (Some(passing), None) = (passing, self.group) {
                    let kind = ErrorKind::PassingOutside { output: keyword };
                    self.errors.push(ScriptError::new(passing.span(), kind));
                }
                ActionKind::Output {
                    name: Arc::clone(&name.text),
                    name_span: name.span,
                    on: *on,
                    passing: self.clause(passing.as_deref(), Wanted::Travel)?,
                }
            }
            StatementKind::Await {
                name,
                until,
                timeout,
            } => ActionKind::Await {
                name: Arc::clone(&name.text),
                name_span: name.span,
                until: *until,
                timeout: self
                    .clause(timeout.as_deref(), Wanted::Wait)?
                    .map(|time| time.si),
            },
            StatementKind::Seek(seek) => ActionKind::Seek(self.seek(seek, keyword)?),
            StatementKind::Zero { axis, at } => ActionKind::Zero(Zero {
                axis: named_axis(axis.as_ref()),
                at: self
                    .clause(at.as_deref(), Wanted::Travel)?
                    .zip(at.as_ref())
                    .map(|(position, at)| (position, at.value.span)),
            }),
            StatementKind::Mark(text) => ActionKind::Mark(Arc::clone(&text.text)),
            StatementKind::Together(block) => {
                ActionKind::Together(self.members(Group::Together, block, keyword)?)
            }
            StatementKind::Through(block) => {
                ActionKind::Through(self.members(Group::Through, block, keyword)?)
            }
            _ => return None,
        };
        Some(Action {
            span: statement.span,
            line: statement.line,
            kind,
        })
    }

    fn turn(&mut self, turn: &TurnStatement, keyword: Span) -> Option<Move> {
        let target = self.wanted(&turn.target.value, Wanted::Travel, keyword);
        if let (Some(at), Some(time)) = (&turn.at, &turn.time) {
            let kind = ErrorKind::SpeedAndTime { time: time.span() };
            self.errors.push(ScriptError::new(at.span(), kind));
        }
        let speed = self.clause(turn.at.as_deref(), Wanted::Speed)?;
        let time = self.clause(turn.time.as_deref(), Wanted::Duration)?;
        let target = target?;
        if let Some((way, span)) = turn.way {
            self.errors.extend(way_error(turn, target, way, span));
        }
        let pace = match (speed.zip(turn.at.as_ref()), time.zip(turn.time.as_ref())) {
            (Some((speed, at)), _) => {
                let mixed = speed_error(&turn.target, target, speed, at);
                self.errors.extend(mixed);
                MovePace::At(speed, at.value.span)
            }
            (None, Some((time, clause))) => MovePace::In(time.si, clause.value.span),
            (None, None) => MovePace::Limits,
        };
        Some(Move {
            axis: named_axis(turn.axis.as_ref()),
            target: if turn.to {
                Target::To(target)
            } else {
                Target::By(target)
            },
            target_span: turn.target.value.span,
            way: turn.way.map(|(way, _)| way),
            pace,
            settings: Arc::clone(&self.settings),
        })
    }

    fn seek(&mut self, seek: &SeekStatement, keyword: Span) -> Option<Seek> {
        let distance = self.wanted(&seek.distance.value, Wanted::Travel, keyword);
        let speed = self.clause(seek.at.as_deref(), Wanted::Speed)?;
        let distance = distance?;
        let pace = match speed.zip(seek.at.as_ref()) {
            Some((speed, at)) => {
                let mixed = speed_error(&seek.distance, distance, speed, at);
                self.errors.extend(mixed);
                MovePace::At(speed, at.value.span)
            }
            None => MovePace::Limits,
        };
        Some(Seek {
            way: Move {
                axis: named_axis(seek.axis.as_ref()),
                target: Target::By(distance),
                target_span: seek.distance.value.span,
                way: None,
                pace,
                settings: Arc::clone(&self.settings),
            },
            input: Arc::clone(&seek.input.text),
            input_span: seek.input.span,
            released: seek.released,
        })
    }

    /// The actions of a group; none where there is nothing to do.
    fn members(&mut self, group: Group, block: &Block, keyword: Span) -> Option<Vec<Action>> {
        self.errors.extend(group::check(group, block, keyword));
        let around = self.group.replace(group);
        let members = block
            .statements
            .iter()
            .filter(|statement| group.takes(&statement.kind));
        let actions: Vec<Action> = members
            .filter_map(|statement| self.action(statement))
            .collect();
        self.group = around;
        (!actions.is_empty()).then_some(actions)
    }

    fn limit(
        &mut self,
        statement: &Statement,
        limit: Limit,
        axis: Option<&Name>,
        value: &Expression,
    ) {
        let Some(quantity) = self.wanted(value, Wanted::Limit(limit), statement.keyword) else {
            return;
        };
        let settings = Arc::make_mut(&mut self.settings);
        let limits = match axis {
            None => &mut settings.all,
            Some(axis) => {
                let known = settings
                    .axis
                    .iter()
                    .position(|(name, _)| *name == axis.text);
                let place = known.unwrap_or_else(|| {
                    settings
                        .axis
                        .push((Arc::clone(&axis.text), SpeedLimits::default()));
                    settings.axis.len() - 1
                });
                &mut settings.axis[place].1
            }
        };
        *limit.of(limits) = Some((quantity, value.span));
    }

    /// Rigs and sequences stand outside all blocks.
    fn outside_blocks(&mut self, statement: &Statement) {
        if let Some(block) = self.block {
            let keyword = statement.kind.keyword();
            let block = Span::new(block.start(), block.start() + 1);
            let kind = ErrorKind::NotInBlock { keyword, block };
            self.errors.push(ScriptError::new(statement.keyword, kind));
        }
    }

    fn call(&mut self, name: &Name, arguments: &[Expression], span: Span) -> Option<Call> {
        let values: Vec<_> = arguments
            .iter()
            .map(|argument| self.value(argument))
            .collect();
        let index = match self.scope.definitions.sequence(name) {
            Ok(index) => index?,
            Err(error) => {
                self.errors.push(error);
                return None;
            }
        };
        let sequence = &self.scope.definitions.sequences[index];
        if sequence.parameters.len() != arguments.len() {
            let kind = ErrorKind::ArgumentCount {
                name: Arc::clone(&name.text),
                wanted: sequence.parameters.len(),
                given: arguments.len(),
                definition: sequence.name.span,
            };
            self.errors.push(ScriptError::new(span, kind));
            return None;
        }
        Some(Call {
            sequence: index,
            arguments: values.into_iter().collect::<Option<_>>()?,
            settings: Arc::clone(&self.settings),
        })
    }

    /// Notes a definition, unless the name has a meaning already.
    fn defined(&mut self, name: &Name, value: Value) -> Option<(Arc<str>, Binding)> {
        if let Some(first) = self.scope.get(&name.text) {
            let error = duplicate(Duplicate::Value, name, first.span);
            self.errors.push(error);
            return None;
        }
        let span = name.span;
        Some((Arc::clone(&name.text), Binding { value, span }))
    }

    /// The value of an optional clause; `None` outside where it has none.
    fn clause(&mut self, clause: Option<&Clause>, wanted: Wanted) -> Option<Option<Quantity>> {
        match clause {
            None => Some(None),
            Some(clause) => self.wanted(&clause.value, wanted, clause.keyword).map(Some),
        }
    }

    /// The value of an expression that must be of some kind, which the word at
    /// `asker` asks for.
    fn wanted(&mut self, expression: &Expression, wanted: Wanted, asker: Span) -> Option<Quantity> {
        let value = self.value(expression)?;
        let kind = if wanted.accepts(value.dimension) {
            match wanted.fits(value.si) {
                Ok(si) => return Some(Quantity::new(si, value.dimension)),
                Err(unfit) => ErrorKind::Unfit {
                    wanted,
                    unfit,
                    value,
                    asker,
                },
            }
        } else {
            let found = value.dimension;
            ErrorKind::WrongUnit {
                wanted,
                found,
                asker,
            }
        };
        self.errors.push(ScriptError::new(expression.span, kind));
        None
    }

    fn value(&mut self, expression: &Expression) -> Option<Quantity> {
        match evaluate(expression, &self.scope) {
            Ok(value) => Some(value),
            Err(NoValue::Unknown) => None,
            Err(NoValue::Wrong(error)) => {
                self.errors.push(error);
                None
            }
        }
    }
}

/// An axis that a statement names, and where.
fn named_axis(axis: Option<&Name>) -> Option<(Arc<str>, Span)> {
    axis.map(|axis| (Arc::clone(&axis.text), axis.span))
}
