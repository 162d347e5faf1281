-- A mark for each instrument, drawn anew with every row that its reading rests
-- on. Whoever keeps in mind what a logbook says keeps the mark beside it: while
-- the mark is the same, so is the logbook. It is drawn by chance rather than
-- counted, so that a write that was rolled back, or another database under the
-- same name, never shows a mark that somebody has seen.
CREATE TABLE logbook_marks (
    instrument_id   BLOB PRIMARY KEY REFERENCES instruments (id),
    mark            INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

INSERT INTO logbook_marks SELECT id, random() FROM instruments;

CREATE TRIGGER mark_a_new_instrument AFTER INSERT ON instruments
BEGIN INSERT INTO logbook_marks VALUES (NEW.id, random()); END;
CREATE TRIGGER mark_another_design AFTER UPDATE OF design ON instruments
BEGIN UPDATE logbook_marks SET mark = random() WHERE instrument_id = NEW.id; END;

-- Entries and their details are never changed or removed; a correction or a
-- striking-out is a new entry.
CREATE TRIGGER mark_an_entry AFTER INSERT ON entries
BEGIN UPDATE logbook_marks SET mark = random() WHERE instrument_id = NEW.instrument_id; END;
-- Work that is corrected or struck out no longer settles what it settled.
CREATE TRIGGER mark_what_corrected_work_settled AFTER INSERT ON entries WHEN NEW.supersedes IS NOT NULL
BEGIN UPDATE logbook_marks SET mark = random() WHERE instrument_id IN (
    SELECT f.instrument_id FROM work_settles s JOIN entries f ON f.id = s.problem_entry_id
    WHERE s.work_entry_id = NEW.supersedes); END;
CREATE TRIGGER mark_a_journey AFTER INSERT ON journeys
BEGIN UPDATE logbook_marks SET mark = random()
    WHERE instrument_id = (SELECT instrument_id FROM entries WHERE id = NEW.entry_id); END;
CREATE TRIGGER mark_a_star_test AFTER INSERT ON star_tests
BEGIN UPDATE logbook_marks SET mark = random()
    WHERE instrument_id = (SELECT instrument_id FROM entries WHERE id = NEW.entry_id); END;
CREATE TRIGGER mark_a_problem AFTER INSERT ON problems
BEGIN UPDATE logbook_marks SET mark = random()
    WHERE instrument_id = (SELECT instrument_id FROM entries WHERE id = NEW.entry_id); END;
CREATE TRIGGER mark_work AFTER INSERT ON works
BEGIN UPDATE logbook_marks SET mark = random()
    WHERE instrument_id = (SELECT instrument_id FROM entries WHERE id = NEW.entry_id); END;
CREATE TRIGGER mark_what_is_settled AFTER INSERT ON work_settles
BEGIN UPDATE logbook_marks SET mark = random()
    WHERE instrument_id = (SELECT instrument_id FROM entries WHERE id = NEW.problem_entry_id); END;
CREATE TRIGGER mark_what_is_unsettled AFTER DELETE ON work_settles
BEGIN UPDATE logbook_marks SET mark = random()
    WHERE instrument_id = (SELECT instrument_id FROM entries WHERE id = OLD.problem_entry_id); END;

CREATE TRIGGER mark_a_loan AFTER INSERT ON loans
BEGIN UPDATE logbook_marks SET mark = random() WHERE instrument_id = NEW.instrument_id; END;
CREATE TRIGGER mark_a_changed_loan AFTER UPDATE ON loans
BEGIN UPDATE logbook_marks SET mark = random() WHERE instrument_id IN (OLD.instrument_id, NEW.instrument_id); END;
CREATE TRIGGER mark_a_loan_taken_out AFTER DELETE ON loans
BEGIN UPDATE logbook_marks SET mark = random() WHERE instrument_id = OLD.instrument_id; END;

-- One instrument's entries of one kind, found without reading the others.
CREATE INDEX entries_by_instrument_and_kind ON entries (instrument_id, kind, happened_at);
CREATE INDEX work_settles_by_problem ON work_settles (problem_entry_id);
-- Loans that are still out, without reading those that came back.
CREATE INDEX open_loans_by_day ON loans (due_on) WHERE returned_at IS NULL;
