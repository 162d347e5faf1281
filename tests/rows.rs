//! The rows of a whole club, to set those of another beside them.

use std::collections::BTreeMap;

use tubewright::library::whole_club::{self, Table, Value};
use tubewright::library::{self, Library};

/// Rows by table.
pub type Rows = BTreeMap<String, Vec<Vec<Value>>>;

/// The tables that make up the club.
pub async fn tables(library: &Library) -> Vec<Table> {
    let mut conn = library.read().await.unwrap();
    whole_club::tables(&mut conn).await.unwrap()
}

/// Every row of every table that makes up the club.
pub async fn all_rows(library: &Library) -> Rows {
    let mut all = BTreeMap::new();
    for table in tables(library).await {
        let mut rows = Vec::new();
        let mut conn = library.read().await.unwrap();
        whole_club::each_row(&mut conn, &table, |row| {
            rows.push(row);
            Ok::<_, library::Error>(())
        })
        .await
        .unwrap();
        all.insert(table.name, rows);
    }
    all
}

/// Checks that two clubs are the same one, row by row.
///
/// # Panics
/// Where they differ, naming the table and the row.
pub fn assert_same(held: &Rows, again: &Rows, how: &str) {
    let names = |rows: &Rows| rows.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(held), names(again), "{how}");
    for (table, rows) in held {
        assert_eq!(rows.len(), again[table].len(), "{how}: {table}");
        for (n, (a, b)) in rows.iter().zip(&again[table]).enumerate() {
            assert!(a == b, "{how}: {table}, row {n}");
        }
    }
}
