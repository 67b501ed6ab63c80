//! Descriptors of tables as others read them: the Data Package and Table Schema of the Frictionless standards,
//! version 1 (specs.frictionlessdata.io, from memory), as far as a delivery and an export need them.

use serde::Serialize;

/// Name under which a descriptor lies beside its tables.
pub const DESCRIPTOR: &str = "datapackage.json";

/// A data package: some tables and what is to be known of them.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Package {
    /// Always `tabular-data-package`: a profile that the standard names, so that no reader has to fetch one.
    pub profile: &'static str,
    /// Name for programs: a-z, 0-9, `-`.
    pub name: String,
    /// Name for people.
    pub title: String,
    /// What it is, in sentences.
    pub description: String,
    /// Under which licences it may be used; none where that is not for us to say.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub licenses: Vec<License>,
    /// The tables.
    pub resources: Vec<Resource>,
}

impl Package {
    /// A package of tables without licence.
    #[must_use]
    pub fn new(name: &str, title: &str, description: &str, resources: Vec<Resource>) -> Self {
        Self {
            profile: "tabular-data-package",
            name: name.to_owned(),
            title: title.to_owned(),
            description: description.to_owned(),
            licenses: Vec::new(),
            resources,
        }
    }

    /// The descriptor as JSON, indented, with a line feed at the end.
    #[must_use]
    pub fn to_json(&self) -> String {
        // Plain structs of words and numbers have no way to fail; an empty text would show at once.
        let mut text = serde_json::to_string_pretty(self).unwrap_or_default();
        text.push('\n');
        text
    }
}

/// A licence by its SPDX name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct License {
    /// Name.
    pub name: &'static str,
    /// Full name.
    pub title: &'static str,
}

/// A table in a file.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Resource {
    /// Always `tabular-data-resource`.
    pub profile: &'static str,
    /// Name for programs.
    pub name: String,
    /// File, from the folder of the descriptor.
    pub path: String,
    /// Always `csv`.
    pub format: &'static str,
    /// Always `text/csv`.
    pub mediatype: &'static str,
    /// Always `utf-8`.
    pub encoding: &'static str,
    /// What a row is, and what else is to be known.
    pub description: String,
    /// How the text is divided into fields.
    pub dialect: Dialect,
    /// Its columns.
    pub schema: Schema,
}

impl Resource {
    /// A table as CSV text.
    #[must_use]
    pub fn csv(name: &str, path: &str, description: &str, schema: Schema) -> Self {
        Self {
            profile: "tabular-data-resource",
            name: name.to_owned(),
            path: path.to_owned(),
            format: "csv",
            mediatype: "text/csv",
            encoding: "utf-8",
            description: description.to_owned(),
            dialect: Dialect::default(),
            schema,
        }
    }
}

/// CSV as RFC 4180 has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct Dialect {
    delimiter: &'static str,
    quote_char: &'static str,
    double_quote: bool,
    skip_initial_space: bool,
    header: bool,
}

impl Default for Dialect {
    fn default() -> Self {
        Self {
            delimiter: ",",
            quote_char: "\"",
            double_quote: true,
            skip_initial_space: false,
            header: true,
        }
    }
}

/// Columns and keys of a table.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct Schema {
    /// The columns, in the order of the header row.
    pub fields: Vec<Field>,
    /// Texts that stand for no value: the blank one.
    pub missing_values: Vec<&'static str>,
    /// Columns that together tell rows apart, none of which may be blank.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub primary_key: Vec<&'static str>,
    /// Sets of columns that tell rows apart where some may be blank: a word of version 2 of the standard, which
    /// readers of version 1 pass over.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub unique_keys: Vec<Vec<&'static str>>,
    /// Rows of other tables that rows of this one belong to.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub foreign_keys: Vec<ForeignKey>,
}

impl Schema {
    /// A schema without keys; a blank field is no value.
    #[must_use]
    pub fn new(fields: Vec<Field>) -> Self {
        Self {
            fields,
            missing_values: vec![""],
            primary_key: Vec::new(),
            unique_keys: Vec::new(),
            foreign_keys: Vec::new(),
        }
    }
}

/// Columns that name a row of another table.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ForeignKey {
    /// Columns here.
    pub fields: Vec<&'static str>,
    /// Where they point to.
    pub reference: Reference,
}

impl ForeignKey {
    /// Columns that have the same names in the other table.
    #[must_use]
    pub fn new(fields: &[&'static str], resource: &'static str) -> Self {
        Self {
            fields: fields.to_vec(),
            reference: Reference {
                resource,
                fields: fields.to_vec(),
            },
        }
    }
}

/// Columns of another table.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Reference {
    /// The other table.
    pub resource: &'static str,
    /// Its columns.
    pub fields: Vec<&'static str>,
}

/// A column.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct Field {
    /// Name in the header row.
    pub name: String,
    /// `string`, `integer`, `number` or `boolean`.
    #[serde(rename = "type")]
    pub kind: &'static str,
    /// What it says, with its unit.
    pub description: String,
    /// What stands for yes, in a column of yes and no.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub true_values: Vec<&'static str>,
    /// What stands for no.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub false_values: Vec<&'static str>,
    /// What its values have to be.
    #[serde(skip_serializing_if = "Constraints::is_empty")]
    pub constraints: Constraints,
}

impl Field {
    fn new(name: &str, kind: &'static str, constraints: Constraints) -> Self {
        Self {
            name: name.to_owned(),
            kind,
            description: String::new(),
            true_values: Vec::new(),
            false_values: Vec::new(),
            constraints,
        }
    }

    /// Text.
    #[must_use]
    pub fn text(name: &str) -> Self {
        Self::new(name, "string", Constraints::default())
    }

    /// Text of one shape, as a regular expression for the whole of it.
    #[must_use]
    pub fn shaped(name: &str, pattern: &str) -> Self {
        let mut field = Self::text(name);
        field.constraints.pattern = Some(pattern.to_owned());
        field
    }

    /// One of a few words.
    #[must_use]
    pub fn words<'a>(name: &str, words: impl IntoIterator<Item = &'a str>) -> Self {
        let mut field = Self::text(name);
        field.constraints.allowed = words.into_iter().map(Into::into).collect();
        field
    }

    /// `true` or `false`.
    #[must_use]
    pub fn flag(name: &str) -> Self {
        Self {
            true_values: vec!["true"],
            false_values: vec!["false"],
            ..Self::new(name, "boolean", Constraints::default())
        }
    }

    /// A whole number within limits.
    #[must_use]
    pub fn whole(name: &str, minimum: i64, maximum: i64) -> Self {
        Self::between(name, "integer", minimum, maximum)
    }

    /// A whole number without limits.
    #[must_use]
    pub fn any_whole(name: &str) -> Self {
        Self::new(name, "integer", Constraints::default())
    }

    /// A decimal number within whole limits.
    #[must_use]
    pub fn number(name: &str, minimum: i64, maximum: i64) -> Self {
        Self::between(name, "number", minimum, maximum)
    }

    fn between(name: &str, kind: &'static str, minimum: i64, maximum: i64) -> Self {
        let constraints = Constraints {
            minimum: Some(minimum),
            maximum: Some(maximum),
            ..Constraints::default()
        };
        Self::new(name, kind, constraints)
    }

    /// One of a few whole numbers.
    #[must_use]
    pub fn whole_of(name: &str, allowed: impl IntoIterator<Item = i64>) -> Self {
        let constraints = Constraints {
            allowed: allowed.into_iter().map(Into::into).collect(),
            ..Constraints::default()
        };
        Self::new(name, "integer", constraints)
    }

    /// The same with words on what it says.
    #[must_use]
    pub fn described(mut self, description: impl Into<String>) -> Self {
        self.description = description.into();
        self
    }

    /// The same, which has to be there in every row where that is so.
    #[must_use]
    pub fn required(mut self, required: bool) -> Self {
        self.constraints.required = required;
        self
    }

    /// The same, of at most so many characters.
    #[must_use]
    pub fn at_most(mut self, characters: usize) -> Self {
        self.constraints.max_length = Some(characters);
        self
    }
}

/// What the values of a column have to be.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct Constraints {
    /// Never blank.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub required: bool,
    /// The only values.
    #[serde(rename = "enum", skip_serializing_if = "Vec::is_empty")]
    pub allowed: Vec<serde_json::Value>,
    /// Smallest value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minimum: Option<i64>,
    /// Greatest value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub maximum: Option<i64>,
    /// Most characters.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_length: Option<usize>,
    /// Regular expression for the whole text.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pattern: Option<String>,
}

impl Constraints {
    fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}
