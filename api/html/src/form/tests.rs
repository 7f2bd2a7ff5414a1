//! What a form reads, keeps and proposes.

use super::*;
use serde_json::json;

fn read(fields: Vec<Field>, comma: bool) -> Result<Value, Refusal> {
    Form::new("", "", "").with(fields).read(comma)
}

#[test]
fn names_are_paths_and_empty_fields_are_absent() {
    let fields = vec![
        Field::new("a.b", "", Kind::Text).value(" x "),
        Field::new("list[0]", "", Kind::Decimal).value("23,10"),
        Field::new("list[1]", "", Kind::Decimal).optional(),
        Field::new("list[2].c", "", Kind::Whole).value("7"),
        Field::new("flag", "", Kind::YesNo).value("false"),
        Field::new("open", "", Kind::YesNo).optional(),
        Field::new("thing", "", Kind::Thing(vec![Choice::thing("id-1", "B-01", "")])).value("b-01"),
    ];
    let expected = json!({ "a": { "b": "x" }, "list": ["23.10", { "c": 7 }], "flag": false, "thing": "id-1" });
    assert_eq!(read(fields, true).unwrap(), expected);
}

#[test]
fn a_thing_may_be_called_something_else_while_nothing_else_is_called_so() {
    let portion =
        |number: u32, of: &str| Choice::thing(number, &format!("{of}/{number}"), "").or_called([of.to_owned()]);
    let field = |given: &str| {
        let choices = vec![portion(1, "S-1"), portion(2, "S-1"), portion(3, "S-2")];
        vec![Field::new("portion", "", Kind::Thing(choices)).value(given)]
    };
    assert_eq!(read(field("s-2"), false).unwrap(), json!({ "portion": "3" }));
    assert_eq!(read(field("S-1/2"), false).unwrap(), json!({ "portion": "2" }));
    let refused = read(field("S-1"), false).unwrap_err();
    assert_eq!(refused.fields[0].message, "'S-1' may be S-1/1 or S-1/2; say which");
}

#[test]
fn a_decimal_comma_is_taken_only_from_those_who_chose_it() {
    let field = || vec![Field::new("v", "", Kind::Decimal).value("23,10")];
    assert_eq!(read(field(), true).unwrap(), json!({ "v": "23.10" }));
    // The comma goes on to the rule for readings, which refuses it.
    assert_eq!(read(field(), false).unwrap(), json!({ "v": "23,10" }));
}

#[test]
fn a_form_that_signs_asks_for_a_code_once_and_keeps_it_out_of_the_json() {
    let mut form = Form::new("", "", "").with([Field::new("password", "", Kind::Password).value("p")]);
    form.with_code();
    form.with_code();
    assert_eq!(form.fields.iter().map(|field| field.name.as_str()).collect::<Vec<_>>(), ["password", ONE_TIME]);
    let names = |refusal: Refusal| refusal.fields.into_iter().map(|wrong| wrong.field).collect::<Vec<_>>();
    assert_eq!(names(form.read::<Value>(false).unwrap_err()), [ONE_TIME]);
    form.fields[1].value = "123456".to_owned();
    assert_eq!(form.read::<Value>(false).unwrap(), json!({ "password": "p" }));
    form.blame(&Refusal::new(Code::CodeMissing, "send one").at(CODE_HEADER, "required", ""));
    assert_eq!(form.wrong().first().unwrap().name, ONE_TIME);
    let mut other = Form::new("", "", "").with([Field::new("new", "", Kind::Password)]);
    other.with_code();
    assert_eq!(other.fields.len(), 1);
}

#[test]
fn the_only_thing_there_is_and_the_entry_before_are_proposed_and_say_so() {
    let lots = |ids: &[&str]| Kind::Thing(ids.iter().map(|id| Choice::word(id)).collect());
    let mut form = Form::new("", "", "").with([
        Field::new("one", "", lots(&["D-1"])),
        Field::new("two", "", lots(&["D-1", "D-2"])),
        Field::new("bench", "", Kind::Text).help("A place."),
        Field::new("note", "", Kind::Text).value("mine"),
    ]);
    form.propose_single();
    form.propose("as RUN-1", &[("bench", Some("bench 2".into())), ("note", Some("other".into())), ("gone", None)]);
    let found: Vec<(&str, &str)> =
        form.fields.iter().map(|field| (field.value.as_str(), field.help.as_str())).collect();
    let expected = [
        ("D-1", "Proposed: the only one there is."),
        ("", ""),
        ("bench 2", "A place. Proposed: as RUN-1."),
        ("mine", ""),
    ];
    assert_eq!(found, expected);
}

#[test]
fn every_empty_field_is_named_at_once() {
    let fields = vec![Field::new("a", "", Kind::Text), Field::new("b", "", Kind::Whole).value("1.5")];
    let names: Vec<String> = read(fields, false).unwrap_err().fields.into_iter().map(|wrong| wrong.field).collect();
    assert_eq!(names, ["a", "b"]);
}

#[test]
fn a_row_whose_box_is_not_ticked_is_not_read() {
    let row = |at: usize, ticked: &str| {
        let tick = Kind::Tick(format!("id-{at}"));
        [
            Field::new(&format!("data[{at}].determination"), "", tick).optional().value(ticked),
            Field::new(&format!("data[{at}].labels.group"), "", Kind::Text).value(format!("day {at}")),
        ]
    };
    let fields: Vec<Field> = [row(0, ""), row(1, "id-1")].into_iter().flatten().collect();
    let expected = json!({ "data": [{ "determination": "id-1", "labels": { "group": "day 1" } }] });
    assert_eq!(read(fields.clone(), false).unwrap(), expected);
    // The service counts what it was sent; the form says it beside the row that was meant.
    let mut form = Form::new("", "", "").with(fields);
    let refusal = form.named(Refusal::invalid("data[0].labels.group", "length", "is too long", "day 1"));
    form.blame(&refusal);
    assert_eq!(form.wrong().first().unwrap().name, "data[1].labels.group");
}

#[test]
fn what_a_refusal_says_stands_beside_its_field() {
    let mut form = Form::new("", "", "").with([Field::new("code", "Code", Kind::Text)]);
    form.blame(&Refusal::invalid("facts.code", "code", "is taken", "x"));
    assert_eq!(form.wrong().first().unwrap().error, "is taken");
}
