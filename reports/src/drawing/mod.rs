//! The toolkit of the figures: canvas, scales, axes, text placement, theme.

pub(crate) mod axes;
pub(crate) mod canvas;
pub(crate) mod labels;
pub(crate) mod measures;
pub(crate) mod rows;
pub(crate) mod scale;
pub(crate) mod sheet;
pub(crate) mod text;
pub(crate) mod theme;
