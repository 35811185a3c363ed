//! Mutations of parsed JSON: the result is always JSON, so it reaches what lies behind the reader.

use serde_json::{Map, Value, json};

use crate::random::Random;

/// Changes one to four places of a value; `donors` lend parts of theirs.
pub(crate) fn mutate(random: &mut Random, value: &mut Value, donors: &[Value]) {
    for _ in 0..=random.below(4) {
        let lender = random.pick(donors);
        let donor = part(random, lender);
        let place = random.below(count(value));
        change(random, nth(value, &mut { place }), donor);
    }
}

fn change(random: &mut Random, target: &mut Value, donor: Value) {
    match target {
        Value::Object(members) if !random.one_in(5) => change_object(random, members, donor),
        Value::Array(items) if !random.one_in(5) => change_array(random, items, donor),
        other => *other = if random.one_in(2) { donor } else { scalar(random) },
    }
}

fn change_object(random: &mut Random, members: &mut Map<String, Value>, donor: Value) {
    let keys: Vec<String> = members.keys().cloned().collect();
    let name = if keys.is_empty() { "id".to_owned() } else { random.pick(&keys).clone() };
    match random.below(5) {
        0 => drop(members.shift_remove(&name)),
        1 => drop(members.insert(name, scalar(random))),
        2 => drop(members.insert(name, donor)),
        3 => {
            // Neighbours often share a shape: the words of one under the name of another.
            let from = random.pick(&["min", "max", "path", "id", "type", "url", "valueString", "_x", ""]);
            let value = members.get(&name).cloned().unwrap_or(donor);
            members.insert((*from).to_owned(), value);
        }
        _ => {
            if let Value::Object(others) = donor {
                members.extend(others);
            }
        }
    }
}

fn change_array(random: &mut Random, items: &mut Vec<Value>, donor: Value) {
    let at = random.below(items.len());
    match random.below(5) {
        0 if !items.is_empty() => drop(items.remove(at)),
        1 if !items.is_empty() => items.push(items[at].clone()),
        2 if !items.is_empty() => items.swap(at, 0),
        3 => items.clear(),
        _ => items.insert(at, donor),
    }
}

fn scalar(random: &mut Random) -> Value {
    match random.below(12) {
        0 => Value::Null,
        1 => json!(random.one_in(2)),
        2 => json!(random.below(10)),
        3 => json!(-1),
        4 => json!(4_294_967_296_u64),
        5 => serde_json::from_str("1e400").unwrap_or(Value::Null),
        6 => json!([]),
        7 => json!({}),
        8 => json!("x".repeat(random.below(5000))),
        9 => json!(*random.pick(&[
            "*",
            "0",
            "1",
            "-1",
            "#",
            "#x",
            "Observation",
            "value[x]",
            "Patient.name",
            "\u{0}"
        ])),
        10 => json!(*random.pick(&[
            "2024-02-30",
            "9999-12-31T23:59:60Z",
            "0001-01-01T00:00:00+14:00",
            "T",
            "urn:uuid:"
        ])),
        _ => json!(*random.pick(&["", " ", "a.b.c", "a:b/c", "\u{10ffff}", "é", "(", "[a-z", "1.2"])),
    }
}

/// A random part of a value, not too large.
fn part(random: &mut Random, donor: &Value) -> Value {
    let mut value = donor;
    for _ in 0..random.below(8) {
        value = match value {
            Value::Array(items) if !items.is_empty() => random.pick(items),
            Value::Object(members) if !members.is_empty() => {
                let number = random.below(members.len());
                members.values().nth(number).unwrap_or(value)
            }
            _ => break,
        };
    }
    if count(value) > 400 { Value::Null } else { value.clone() }
}

fn count(value: &Value) -> usize {
    1 + match value {
        Value::Array(items) => items.iter().map(count).sum(),
        Value::Object(members) => members.values().map(count).sum(),
        _ => 0,
    }
}

/// The value at a place in the order of writing. `place` counts down; a place too far gives the last one on the way.
fn nth<'v>(value: &'v mut Value, place: &mut usize) -> &'v mut Value {
    if *place == 0 {
        return value;
    }
    *place -= 1;
    let sizes: Vec<usize> = match value {
        Value::Array(items) => items.iter().map(count).collect(),
        Value::Object(members) => members.values().map(count).collect(),
        _ => Vec::new(),
    };
    let mut chosen = None;
    for (number, size) in sizes.into_iter().enumerate() {
        if *place < size {
            chosen = Some(number);
            break;
        }
        *place -= size;
    }
    let Some(number) = chosen else { return value };
    match value {
        Value::Array(items) => nth(&mut items[number], place),
        Value::Object(members) => match members.values_mut().nth(number) {
            Some(child) => nth(child, place),
            None => unreachable!("a member was counted"),
        },
        _ => unreachable!("only arrays and objects have children"),
    }
}
