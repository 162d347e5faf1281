//! Why a file could not be read, in words a person can act on.

use super::Format;

/// Said by a read that ran out of its budget; [`DecodeError::of_io`] knows it.
#[derive(Debug, Clone, Copy, thiserror::Error)]
#[error("the file makes more work than its pictures are worth")]
pub(super) struct OutOfBudget;

/// Said by a read past the deadline.
#[derive(Debug, Clone, Copy, thiserror::Error)]
#[error("the time for this file is up")]
pub(super) struct OutOfTime;

/// A refusal to read a file or one of its pictures.
///
/// `Display` says what is wrong, [`DecodeError::mend`] what to do about it and
/// [`DecodeError::code`] is a stable word for machines.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DecodeError {
    /// The file could not be opened or read at all.
    #[error("The file could not be read: {0}.")]
    Io(String),
    /// Nothing we know begins like this.
    #[error("This is not a picture Tubewright knows; it begins with {0}.")]
    UnknownFormat(String),
    /// A format we recognise and do not read.
    #[error("This is {0}, which Tubewright does not read.")]
    UnsupportedFormat(&'static str),
    /// A format we read, in a flavour we do not.
    #[error("This {format} file holds {what}, which Tubewright does not read.")]
    UnsupportedKind {
        /// The file's format.
        format: Format,
        /// The flavour.
        what: String,
    },
    /// FITS 4.0 §10: an image kept in a binary table, compressed in tiles.
    #[error("This FITS file is tile-compressed (ZIMAGE is T).")]
    TileCompressed,
    /// A header that contradicts itself or its standard.
    #[error("The {format} header is wrong: {why}.")]
    BadHeader {
        /// The file's format.
        format: Format,
        /// What is wrong with it, with the keyword.
        why: String,
    },
    /// A header without an end.
    #[error("The FITS header runs past {limit_bytes} bytes without an END card.")]
    HeaderTooLong {
        /// [`Limits::max_header_bytes`](super::Limits::max_header_bytes).
        limit_bytes: u64,
    },
    /// More bytes than we agree to read, before or after unpacking.
    #[error("The file is larger than {limit_bytes} bytes{}.", if *.unpacked { " when unpacked" } else { "" })]
    FileTooLarge {
        /// The limit that was passed.
        limit_bytes: u64,
        /// Whether the limit was passed while unpacking gzip.
        unpacked: bool,
    },
    /// Far more to read or unpack than the pictures in it can be worth: parts that lie
    /// on each other, padding without end.
    #[error("The file makes far more work than the pictures in it are worth.")]
    OutOfBudget,
    /// [`Limits::deadline`](super::Limits::deadline) has passed.
    #[error("Reading the file took too long.")]
    OutOfTime,
    /// One picture with more pixels than we agree to hold.
    #[error(
        "A picture of {width} x {height} pixels is larger than the {limit_pixels} pixels allowed."
    )]
    FrameTooLarge {
        /// Columns the header states.
        width: u64,
        /// Rows the header states.
        height: u64,
        /// [`Limits::max_pixels_per_frame`](super::Limits::max_pixels_per_frame).
        limit_pixels: u64,
    },
    /// A picture of no pixels.
    #[error("The header states a picture of {width} x {height} pixels: there is nothing in it.")]
    EmptyFrame {
        /// Columns the header states.
        width: u64,
        /// Rows the header states.
        height: u64,
    },
    /// The file ends before its own header says it should.
    #[error("The file ends too early: {what}.")]
    Truncated {
        /// Which part is missing, with sizes where known.
        what: String,
    },
    /// The packed data contradict themselves (checksums, codes, tables).
    #[error("The {format} data are damaged: {why}.")]
    Damaged {
        /// The file's format.
        format: Format,
        /// What the decoder saw.
        why: String,
    },
    /// Too many pixels without a value.
    #[error("{bad} of {total} pixels have no value (NaN, infinite or BLANK).")]
    NotFinite {
        /// Pixels without a value.
        bad: usize,
        /// Pixels in the picture.
        total: usize,
    },
    /// A sound file without a picture.
    #[error("There is no picture in this {0} file.")]
    NoImage(Format),
    /// More pictures than we agree to read.
    #[error("The file holds more than {limit} pictures.")]
    TooManyFrames {
        /// [`Limits::max_frames`](super::Limits::max_frames).
        limit: u64,
    },
}

impl DecodeError {
    /// What the system or one of our own bounds said while a file was read.
    pub(super) fn of_io(error: &std::io::Error) -> Self {
        match error.get_ref() {
            Some(said) if said.is::<OutOfBudget>() => Self::OutOfBudget,
            Some(said) if said.is::<OutOfTime>() => Self::OutOfTime,
            _ => Self::Io(error.to_string()),
        }
    }

    /// A stable word for this kind of refusal.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Io(_) => "file-unreadable",
            Self::UnknownFormat(_) => "format-unknown",
            Self::UnsupportedFormat(_) => "format-unsupported",
            Self::UnsupportedKind { .. } => "kind-unsupported",
            Self::TileCompressed => "fits-tile-compressed",
            Self::BadHeader { .. } => "header-wrong",
            Self::HeaderTooLong { .. } => "header-too-long",
            Self::FileTooLarge { .. } => "file-too-large",
            Self::OutOfBudget => "too-much-work",
            Self::OutOfTime => "too-slow",
            Self::FrameTooLarge { .. } => "frame-too-large",
            Self::EmptyFrame { .. } => "frame-empty",
            Self::Truncated { .. } => "file-truncated",
            Self::Damaged { .. } => "data-damaged",
            Self::NotFinite { .. } => "pixels-without-value",
            Self::NoImage(_) => "no-picture",
            Self::TooManyFrames { .. } => "too-many-frames",
        }
    }

    /// What the person can do about it.
    pub fn mend(&self) -> &'static str {
        match self {
            Self::Io(_) => "Check that the file is there and may be read, then try again.",
            Self::UnknownFormat(_) | Self::UnsupportedFormat(_) => {
                "Save the picture as FITS, PNG, TIFF or JPEG and send that. Unpack archives first; only FITS may stay gzipped."
            }
            Self::UnsupportedKind { .. } => {
                "Save it again as 16-bit grey or RGB, as FITS, PNG or TIFF."
            }
            Self::TileCompressed => {
                "Unpack it to a plain FITS file first (funpack from the CFITSIO tools does it), or let the camera program save without compression. A plain .fits.gz is fine."
            }
            Self::BadHeader { .. } | Self::HeaderTooLong { .. } => {
                "Save the file again from the program that took it; if it is wrong again, save as TIFF or PNG instead."
            }
            Self::OutOfBudget => {
                "Save the frames again from the program that took them, as plain FITS or TIFF without packing."
            }
            Self::FileTooLarge { .. } | Self::OutOfTime => {
                "Send fewer frames at a time, or crop around the star: a few hundred pixels are enough."
            }
            Self::FrameTooLarge { .. } => {
                "Crop the picture around the star, or read out a smaller part of the sensor; do not scale it down unless you tell the new pixel size."
            }
            Self::EmptyFrame { .. } => "Take the frame again: this one was saved empty.",
            Self::Truncated { .. } => {
                "Copy the file again from the camera or the card: the copy stopped half way."
            }
            Self::Damaged { .. } => {
                "Copy the file again from the camera or the card; if it is still damaged, leave it out."
            }
            Self::NotFinite { .. } => {
                "Crop off the blank border, or use the frames as the camera took them, before aligning or masking."
            }
            Self::NoImage(_) => {
                "Check that you chose the picture itself and not a table, a mask or a preview."
            }
            Self::TooManyFrames { .. } => "Send a shorter run; a few hundred frames are plenty.",
        }
    }

    /// Whether the pictures after this one can still be read.
    ///
    /// True only for [`DecodeError::NotFinite`]: one plane is bad, the file is sound.
    pub fn is_frame_only(&self) -> bool {
        matches!(self, Self::NotFinite { .. })
    }
}
