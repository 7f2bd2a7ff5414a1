//! The working of a result over HTTP: a page of text, or the graph of its nodes in the open form of `openapi/WORKING.md`.

use actix_web::body::BoxBody;
use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, Responder};
use ferrotitre_core::determination::FORMULA_SET;
use ferrotitre_core::working::{Operation, Working, WorkingNode};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use crate::evaluations::FactView;

/// Name of the open form and its version.
const FORMAT: &str = "ferrotitre working 1";

/// In which form a working is asked for.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum Form {
    /// A page of text.
    #[default]
    Text,
    /// The graph of nodes.
    Json,
}

/// How a working is asked for.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AskedForm {
    /// text for a page (the default), json for the graph of nodes that openapi/WORKING.md describes.
    #[serde(default, rename = "as")]
    #[param(inline)]
    pub form: Form,
}

/// A working as a graph: nodes in order of computation.
#[derive(Debug, Serialize, ToSchema)]
pub struct WorkingGraph {
    /// Name and version of this form.
    #[schema(example = "ferrotitre working 1")]
    pub format: &'static str,
    /// Whose working it is.
    #[schema(example = "determination")]
    pub kind: &'static str,
    /// Identity of it.
    pub id: String,
    /// Version of the formulae.
    pub formula_set: &'static str,
    /// Nodes; operands always stand before what is computed from them.
    pub nodes: Vec<NodeView>,
    /// Tables that nodes interpolate in, each a list of argument and value.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub tables: Vec<Vec<(f64, f64)>>,
    /// The result.
    pub result: ResultView,
}

/// The result of a working.
#[derive(Debug, Serialize, ToSchema)]
pub struct ResultView {
    /// Its node.
    pub node: usize,
    /// Value at full precision.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Unit.
    #[schema(example = "g/L")]
    pub unit: &'static str,
}

/// A node of a working.
#[derive(Debug, Serialize, ToSchema)]
pub struct NodeView {
    /// Its place, from 0.
    pub id: usize,
    /// Quantity; absent for a part of a formula.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "net_titre")]
    pub quantity: Option<String>,
    /// Symbol.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub symbol: String,
    /// Name in words.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub name: String,
    /// Unit.
    #[serde(skip_serializing_if = "str::is_empty")]
    pub unit: &'static str,
    /// Operation; absent for a leaf.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "quotient")]
    pub op: Option<&'static str>,
    /// Nodes it is computed from.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub operands: Vec<usize>,
    /// Table of an interpolation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub table: Option<u32>,
    /// Value at full precision.
    pub value: f64,
    /// Digits as entered.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entered: Option<String>,
    /// Source of the formula or of the number.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "JCGM 100:2008, 4.2.1")]
    pub source: Option<&'static str>,
    /// The record a leaf comes from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fact: Option<FactView>,
    /// What makes it an input of the uncertainty budget.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub input: Option<InputView>,
    /// Standard uncertainty of a named quantity, where any input acts on it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u: Option<f64>,
}

/// An input of the uncertainty budget.
#[derive(Debug, Serialize, ToSchema)]
pub struct InputView {
    /// Identity; results that share it share its error.
    pub id: String,
    /// Node of its standard uncertainty.
    pub u: usize,
    /// Degrees of freedom; absent for unlimited.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
}

/// Word of the open form for an operation, and the table it reads; a leaf has neither.
fn word(operation: Operation) -> (Option<&'static str>, Option<u32>) {
    let word = match operation {
        Operation::Leaf | Operation::Number => return (None, None),
        Operation::Interpolation(table) => return (Some("interpolation"), Some(table)),
        Operation::Sum => "sum",
        Operation::Difference => "difference",
        Operation::Product => "product",
        Operation::Quotient => "quotient",
        Operation::SquareRoot => "square root",
        Operation::Largest => "largest",
        Operation::Mean => "mean",
        Operation::Median => "median",
        Operation::SampleDeviation => "sample standard deviation",
    };
    (Some(word), None)
}

fn node((id, node): (usize, &WorkingNode)) -> NodeView {
    let (op, table) = word(node.operation);
    NodeView {
        id,
        quantity: node.label.map(|label| label.key()),
        symbol: node.symbol.clone(),
        name: node.name.clone(),
        unit: node.unit,
        op,
        operands: node.operands.clone(),
        table,
        value: node.value,
        entered: node.entered.clone(),
        source: node.source.map(|source| source.citation()),
        fact: node.fact.as_ref().map(|fact| FactView { kind: fact.kind, id: fact.id.clone(), field: fact.field }),
        input: node.uncertain.as_ref().map(|input| InputView {
            id: input.id.clone(),
            u: input.u,
            degrees_of_freedom: input.degrees_of_freedom,
        }),
        u: node.standard_uncertainty,
    }
}

impl WorkingGraph {
    /// The graph of a working of a thing of a kind.
    #[must_use]
    pub fn of(kind: &'static str, id: String, working: &Working) -> Self {
        let result = &working.nodes()[working.result()];
        Self {
            format: FORMAT,
            kind,
            id,
            formula_set: FORMULA_SET,
            nodes: working.nodes().iter().enumerate().map(node).collect(),
            tables: working.tables().to_vec(),
            result: ResultView {
                node: working.result(),
                value: result.value,
                u: result.standard_uncertainty.unwrap_or_default(),
                unit: result.unit,
            },
        }
    }
}

/// A working that can be shown in either form.
#[derive(Debug)]
pub struct Worked {
    /// Kind and identity of what was worked out.
    pub of: (&'static str, String),
    /// What stands above the page.
    pub head: String,
    /// The working.
    pub working: Working,
    /// What stands below the page.
    pub foot: String,
}

impl Worked {
    /// In the form asked for.
    #[must_use]
    pub fn shown(self, asked: &AskedForm) -> Shown {
        match asked.form {
            Form::Text => Shown::Page(format!("{}{}{}", self.head, self.working.text(), self.foot)),
            Form::Json => Shown::Graph(Box::new(WorkingGraph::of(self.of.0, self.of.1, &self.working))),
        }
    }
}

/// A working in the form asked for.
#[derive(Debug)]
pub enum Shown {
    /// As a page.
    Page(String),
    /// As a graph.
    Graph(Box<WorkingGraph>),
}

impl Responder for Shown {
    type Body = BoxBody;

    fn respond_to(self, _: &HttpRequest) -> HttpResponse {
        let mut answer = HttpResponse::build(StatusCode::OK);
        match self {
            Self::Page(page) => answer.content_type("text/plain; charset=utf-8").body(page),
            Self::Graph(graph) => answer.json(graph),
        }
    }
}
