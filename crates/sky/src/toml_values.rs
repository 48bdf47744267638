//! Values of a TOML file, for the readers that keep the line of each: of the setup here, and of the files
//! of the live side.

use toml::de::DeValue;

/// An integer of any radix; `None` of another value, or one beyond 64 bits.
pub fn integer(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

/// A number, written as a float or as an integer; `None` of another value.
pub fn number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(float) => float.as_str().parse().ok(),
        // Below 2^53 this is exact; no number of this project's files is larger.
        DeValue::Integer(_) => integer(value).map(|integer| integer as f64),
        _ => None,
    }
}

/// A value as it stands in an error: a text in quotes, a list by its first twelve values.
pub fn shown(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("{text:?}"),
        DeValue::Integer(integer) => integer.as_str().to_string(),
        DeValue::Float(float) => float.as_str().to_string(),
        DeValue::Boolean(truth) => truth.to_string(),
        DeValue::Datetime(time) => time.to_string(),
        DeValue::Array(list) => {
            let items = list.iter().take(12).map(|item| shown(item.get_ref()));
            let more = if list.len() > 12 { ", ..." } else { "" };
            format!("[{}{more}]", items.collect::<Vec<_>>().join(", "))
        }
        DeValue::Table(_) => "a table".to_string(),
    }
}
