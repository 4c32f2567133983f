//! Frames of converters on a serial bus: which bits are fixed, and where the code goes.

use super::fields::{self, Fields};
use super::yaml::{Entry, Node, NodeKind};
use crate::diagnostic::Diagnostic;

/// What one converter is sent, highest bit first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SerialFrame {
    /// Bits of the whole frame: 8, 16 or 24.
    pub length: u32,
    /// The frame with a code of zero.
    pub fixed: u32,
    /// Bits of the code …
    pub data_bits: u32,
    /// … and of what follows it.
    pub shift: u32,
}

/// The converters of both phases on a serial bus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SerialConverters {
    /// The frame of each phase.
    pub frames: [SerialFrame; 2],
    /// Whether both share a select line: the frames tell the phases apart.
    pub is_shared: bool,
    /// Clock polarity (bit 1) and phase (bit 0).
    pub mode: u32,
}

/// What a frame looks like.
const FORM: &str = "write 8, 16 or 24 characters, the fixed bits as 0 and 1 and the bits of the code as d, \
    highest first: `0011dddddddddddd`";

impl SerialFrame {
    fn parse(node: &Node) -> Result<Self, Diagnostic> {
        let text = fields::text("converter_frame", node)?;
        let problem = |what: &str, label: String| {
            Err(node
                .place
                .error("not-a-frame", format!("`converter_frame` {what}"), label)
                .help(FORM))
        };
        if let Some(other) = text.chars().find(|letter| !"01d".contains(*letter)) {
            return problem("has only 0, 1 and d", format!("`{other}` is none of them"));
        }
        let length = text.len() as u32;
        if ![8, 16, 24].contains(&length) {
            return problem("takes whole bytes", format!("this has {length} characters"));
        }
        let code = text.trim_matches(['0', '1']);
        if code.is_empty() || code.contains(['0', '1']) {
            return problem(
                "has one run of d",
                "the bits of the code belong together".into(),
            );
        }
        let shift = (text.len() - 1 - text.rfind('d').unwrap_or(0)) as u32;
        let data_bits = code.len() as u32;
        if data_bits + shift > 16 {
            return problem(
                "has its code within the last 16 bits",
                format!("it begins {} bits before the end", data_bits + shift),
            );
        }
        let bit = |fixed: u32, letter: char| fixed << 1 | u32::from(letter == '1');
        Ok(Self {
            length,
            fixed: text.chars().fold(0, bit),
            data_bits,
            shift,
        })
    }

    /// The bits of the code within the frame.
    pub const fn data_mask(&self) -> u32 {
        ((1 << self.data_bits) - 1) << self.shift
    }
}

impl SerialConverters {
    /// `converter_frame` and `converter_mode` of a drive; `bits` is what its converters have.
    pub(super) fn read(fields: &mut Fields<'_>, bits: Option<u32>) -> Option<Self> {
        let frame = fields.take("converter_frame");
        let mode = fields.whole("converter_mode", 0..=3);
        let Entry { value, .. } = frame?;
        let nodes = match &value.kind {
            NodeKind::List(nodes) => nodes.as_slice(),
            NodeKind::Nothing | NodeKind::Text(_) | NodeKind::Table(_) => {
                std::slice::from_ref(&value)
            }
        };
        let frames: Vec<SerialFrame> = nodes
            .iter()
            .filter_map(|node| fields.keep(SerialFrame::parse(node)))
            .collect();
        let (a, b) = match frames.as_slice() {
            [both] if nodes.len() == 1 => (*both, *both),
            [a, b] if nodes.len() == 2 => (*a, *b),
            _ if frames.len() < nodes.len() => return None,
            _ => {
                let count = nodes.len();
                fields.problem(
                    value
                        .place
                        .error(
                            "not-a-frame",
                            "`converter_frame` is one frame, or a list of two",
                            format!("this is a list of {count}"),
                        )
                        .help("write the frame of phase A, then that of phase B"),
                );
                return None;
            }
        };
        if a.length != b.length || a.data_mask() != b.data_mask() {
            fields.problem(
                value
                    .place
                    .error(
                        "not-a-frame",
                        "the frames of both phases differ in length, or in the place of the code",
                        "here",
                    )
                    .help("write frames that differ in fixed bits alone"),
            );
            return None;
        }
        match bits {
            Some(bits) if bits == a.data_bits => {}
            _ => {
                let has = bits.map_or_else(|| "is missing".to_owned(), |bits| format!("is {bits}"));
                fields.problem(
                    value
                        .place
                        .error(
                            "not-a-frame",
                            format!(
                                "`converter_frame` carries {} bits, and `converter_bits` {has}",
                                a.data_bits
                            ),
                            "",
                        )
                        .help(format!(
                            "write `converter_bits: {}`, or as many d as the converter has bits",
                            a.data_bits
                        )),
                );
                return None;
            }
        }
        Some(Self {
            frames: [a, b],
            is_shared: nodes.len() == 2,
            mode: mode.unwrap_or(0),
        })
    }
}
