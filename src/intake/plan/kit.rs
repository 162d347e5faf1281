//! Parts of kits.

use library::intake::BroughtPart;
use library::{InstrumentId, KitPartId};

use super::{Line, Planner, Row, Taken};
use crate::fields::Field;

impl Planner<'_> {
    /// The parts that a cell lists, with commas, semicolons, plus signs or lines between.
    pub(super) fn kit_list(
        &mut self,
        line: Line<'_>,
        instrument: InstrumentId,
    ) -> Taken<Vec<BroughtPart>> {
        let text = line.text(Field::KitList);
        let mut parts: Vec<BroughtPart> = Vec::new();
        for name in text.split([',', ';', '\n', '+']) {
            let name = name.split_whitespace().collect::<Vec<_>>().join(" ");
            if name.is_empty() {
                continue;
            }
            if name.chars().count() > 80 {
                return self.fault(
                    line,
                    Field::KitList,
                    "A part's name has 80 letters at most. Put commas between the parts.",
                );
            }
            let same = |p: &&BroughtPart| {
                p.name.to_lowercase() == name.to_lowercase()
                    || p.name
                        .to_lowercase()
                        .starts_with(&format!("{} (", name.to_lowercase()))
            };
            let before = parts.iter().filter(same).count();
            let name = match before {
                0 => name,
                n => format!("{name} ({})", n + 1),
            };
            parts.push(BroughtPart {
                id: KitPartId::fresh(),
                instrument,
                ordinal: parts.len() as i64,
                name,
            });
        }
        if parts.len() > 60 {
            return self.fault(line, Field::KitList, "A kit has 60 parts at most.");
        }
        Ok(parts)
    }

    pub(super) fn part(&mut self, line: Line<'_>) -> Taken<Row> {
        let name = line
            .text(Field::Part)
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ");
        if name.is_empty() {
            return self.fault(
                line,
                Field::Part,
                "No part stands here. Write it, or take the row out.",
            );
        }
        if name.chars().count() > 80 {
            return self.fault(
                line,
                Field::Part,
                "A part's name has 80 letters at most. Shorten it.",
            );
        }
        let instrument = self.instrument_of(line)?;
        let Some(thing) = self.things.thing_mut(instrument) else {
            return Ok(Row::Known);
        };
        if thing
            .kit
            .iter()
            .any(|(_, part)| part.to_lowercase() == name.to_lowercase())
        {
            return Ok(Row::Known);
        }
        let id = KitPartId::fresh();
        let ordinal = thing.kit.len() as i64;
        thing.kit.push((id, name.clone()));
        self.plan.batch.kit.push(BroughtPart {
            id,
            instrument,
            ordinal,
            name,
        });
        Ok(Row::Added)
    }
}
