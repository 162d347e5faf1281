//! Where bytes come from: a plain file that can be skipped through, or a
//! gzip stream that is unpacked as it is read.

use std::io::{self, BufReader, ErrorKind, Read, Seek, SeekFrom};

use flate2::bufread::MultiGzDecoder;

use super::{DecodeError, Format};

/// What [`FrameReader`](super::FrameReader) reads from.
pub(super) trait Source: Read + Seek + Send {}
impl<T: Read + Seek + Send> Source for T {}

pub(super) type Input = BufReader<Box<dyn Source>>;

/// A one-way stream that counts what went by and never passes its limit.
pub(super) struct Stream {
    kind: Kind,
    position: u64,
    limit: u64,
}

enum Kind {
    Plain { input: Input, length: u64 },
    Gzip(Box<MultiGzDecoder<Input>>),
}

impl Stream {
    /// A plain file of `length` bytes, read from its start.
    pub fn plain(input: Input, length: u64) -> Self {
        Self {
            kind: Kind::Plain { input, length },
            position: 0,
            limit: u64::MAX,
        }
    }

    /// A gzip file (RFC 1952, several members allowed), refused when more than
    /// `limit` bytes come out.
    pub fn gzip(input: Input, limit: u64) -> Self {
        Self {
            kind: Kind::Gzip(Box::new(MultiGzDecoder::new(input))),
            position: 0,
            limit,
        }
    }

    /// Bytes left, when that can be known without reading them.
    pub fn left(&self) -> Option<u64> {
        match &self.kind {
            Kind::Plain { length, .. } => Some(length.saturating_sub(self.position)),
            Kind::Gzip(_) => None,
        }
    }

    /// Fills as much of `buffer` as there is; fewer bytes mean the end.
    pub fn fill(&mut self, buffer: &mut [u8]) -> Result<usize, DecodeError> {
        let mut filled = 0;
        while filled < buffer.len() {
            let read = match &mut self.kind {
                Kind::Plain { input, .. } => input.read(&mut buffer[filled..]),
                Kind::Gzip(decoder) => decoder.read(&mut buffer[filled..]),
            };
            match read {
                Ok(0) => break,
                Ok(count) => {
                    filled += count;
                    self.position += count as u64;
                    if self.position > self.limit {
                        return Err(DecodeError::FileTooLarge {
                            limit_bytes: self.limit,
                            unpacked: true,
                        });
                    }
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return Err(self.explain(error)),
            }
        }
        Ok(filled)
    }

    /// Goes `count` bytes on. False when the stream ends before that.
    pub fn skip(&mut self, count: u64) -> Result<bool, DecodeError> {
        if let Kind::Plain { input, length } = &mut self.kind {
            if count > length.saturating_sub(self.position) {
                return Ok(false);
            }
            self.position += count;
            return input
                .seek(SeekFrom::Start(self.position))
                .map(|_| true)
                .map_err(|error| DecodeError::Io(error.to_string()));
        }
        let mut left = count;
        let mut waste = [0_u8; 16 * 1024];
        while left > 0 {
            let want = left.min(waste.len() as u64) as usize;
            let got = self.fill(&mut waste[..want])?;
            if got < want {
                return Ok(false);
            }
            left -= got as u64;
        }
        Ok(true)
    }

    fn explain(&self, error: io::Error) -> DecodeError {
        match (&self.kind, error.kind()) {
            (_, ErrorKind::UnexpectedEof) => DecodeError::Truncated {
                what: "the packed data stop before their end mark".into(),
            },
            (Kind::Gzip(_), ErrorKind::InvalidInput | ErrorKind::InvalidData) => {
                DecodeError::Damaged {
                    format: Format::Fits,
                    why: format!("gzip: {error}"),
                }
            }
            _ => DecodeError::Io(error.to_string()),
        }
    }
}
