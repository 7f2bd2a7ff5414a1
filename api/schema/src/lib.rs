//! Tables as the migrations leave them, for diesel. Generated from the catalogue; a test compares the two.
#![warn(missing_docs)]

diesel::table! {
    /// Passwords, hashed with Argon2id; the newest row of an account counts.
    account_secrets (id) {
        /// Identity.
        id -> Uuid,
        /// Whose password.
        account_id -> Uuid,
        /// Argon2id in PHC string form. Never written to the audit log.
        password_hash -> Text,
        /// Set by somebody else and to be changed at first use.
        provisional -> Bool,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that set it; null when set from the command line.
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    /// Since when the owner of an account has worked here, where that is longer than the account: records may be taken over from then on.
    account_starts (id) {
        /// Identity.
        id -> Uuid,
        /// Account.
        account_id -> Uuid,
        /// First day.
        since -> Date,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it; null when made from the command line.
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    /// People and instruments that act. Never reused, never removed; a retired account keeps its name in the records.
    accounts (id) {
        /// Identity.
        id -> Uuid,
        /// Sign-in name.
        code -> Text,
        /// Name printed with signatures.
        display_name -> Text,
        /// person, or service for an instrument.
        kind -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it; null when made from the command line.
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    /// Decisions of two people to go on sealing a log that does not extend what was signed before.
    audit_breaks (id) {
        /// Identity.
        id -> Uuid,
        /// Leaves under the head that the log no longer extends; null where no head was remembered.
        before_size -> Nullable<Int8>,
        /// Root of that head.
        before_root -> Nullable<Bytea>,
        /// Leaves of the log that counts from then on.
        after_size -> Int8,
        /// Root of that log.
        after_root -> Bytea,
        /// Key that signs from then on.
        key_id -> Text,
        /// Why, at least 5 characters.
        reason -> Text,
        /// One of the two who decided.
        first_person -> Uuid,
        /// The other.
        second_person -> Uuid,
        /// Server time of recording.
        recorded_at -> Timestamptz,
    }
}

diesel::table! {
    /// Tree heads as signed notes (C2SP signed-note, tlog-checkpoint). Append only.
    audit_checkpoints (tree_size) {
        /// Number of leaves under the root.
        tree_size -> Int8,
        /// The note as signed: origin, size, root, and the signature of the log.
        note -> Text,
    }
}

diesel::table! {
    /// What witnesses countersigned (C2SP tlog-cosignature). Append only.
    audit_cosignatures (tree_size, witness) {
        /// Checkpoint.
        tree_size -> Int8,
        /// Key of the witness, as NAME+ID+KEY.
        witness -> Text,
        /// The line of signature.
        line -> Text,
        /// When the witness says it signed.
        signed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
    }
}

diesel::table! {
    /// Decisions on who countersigns the heads of the audit log and how many must; the newest counts.
    witness_policies (id) {
        /// Identity.
        id -> Uuid,
        /// Keys of the witnesses, as NAME+ID+KEY.
        witnesses -> Array<Text>,
        /// Address of each, below which add-checkpoint is.
        addresses -> Array<Text>,
        /// How many must have countersigned a head.
        needed -> Int4,
        /// Age of the last such head above which an alert is raised, hours.
        within_hours -> Int4,
        /// Why, at least 5 characters.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that decided.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// What was done, by whom, when and why; one row per change, written in the change's own transaction. Append only.
    audit_events (id) {
        /// Identity of the event.
        id -> Uuid,
        /// Server time of the event.
        at -> Timestamptz,
        /// Account that acted; null for the system itself and for failed sign-ins of unknown names.
        actor -> Nullable<Uuid>,
        /// person, service (an instrument's token), system (the service or its operator) or nobody (not signed in).
        actor_kind -> Text,
        /// Network address the request came from.
        source_address -> Nullable<Text>,
        /// What was done, by the name of the permission it needed.
        action -> Text,
        /// Table of the row concerned.
        entity_kind -> Text,
        /// Identity of the row concerned.
        entity_id -> Nullable<Uuid>,
        /// The superseded row as JSON text, if the new row supersedes one.
        before_row -> Nullable<Text>,
        /// The new row as JSON text, secrets left out.
        after_row -> Nullable<Text>,
        /// Reason given, if one was asked for.
        reason -> Nullable<Text>,
        /// Identity of the request, as in the answer and in the log.
        request_id -> Nullable<Text>,
    }
}

diesel::table! {
    /// Leaves of the Merkle tree (RFC 9162, section 2) over the events, in sealing order. Append only.
    audit_leaves (leaf_index) {
        /// Gap-free position of the leaf, from 0.
        leaf_index -> Int8,
        /// Event whose canonical bytes the leaf hashes.
        event_id -> Uuid,
        /// SHA-256 of 0x00 and the canonical bytes.
        leaf_hash -> Bytea,
    }
}

diesel::table! {
    /// Events not yet in the tree; emptied by the sealer. A working table.
    audit_pending (event_id) {
        /// Event that awaits its leaf.
        event_id -> Uuid,
        /// Number of the transaction that made the event.
        made_in -> Int8,
    }
}

diesel::table! {
    /// Signed tree heads: one that is kept elsewhere proves any later rewriting. Append only.
    audit_tree_heads (tree_size) {
        /// Number of leaves under the root.
        tree_size -> Int8,
        /// Root of the tree of that size.
        root_hash -> Bytea,
        /// Server time of signing.
        signed_at -> Timestamptz,
        /// First 16 hex digits of the SHA-256 of the public key.
        key_id -> Text,
        /// Ed25519 signature over the canonical text of size, root and time.
        signature -> Bytea,
    }
}

diesel::table! {
    /// What was added to a blank: a solution by a pipette, or the uncertainty of a stated equivalent.
    blank_additions (id) {
        /// Identity.
        id -> Uuid,
        /// The blank, in this version.
        blank_id -> Uuid,
        /// Lot of the solution: iron(II), or the oxidant of a back-titration.
        titrant_id -> Nullable<Uuid>,
        /// Factor of that lot in force at the time.
        factor_id -> Nullable<Uuid>,
        /// Pipette that added it, first version.
        pipette_id -> Nullable<Uuid>,
        /// Standard uncertainty of the equivalent stated with the blank, mL of titrant.
        equivalent_u_ml -> Nullable<Numeric>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Blank titrations of a run.
    blanks (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// Run.
        run_id -> Uuid,
        /// Kind of blank.
        kind -> Text,
        /// Titrant lot.
        titrant_id -> Uuid,
        /// Factor in force at the time.
        factor_id -> Uuid,
        /// Burette, first version.
        burette_id -> Uuid,
        /// Burette calibration in force at the time.
        calibration_id -> Uuid,
        /// Burette readings before each segment, mL, as entered; a refill begins a new segment.
        initial_readings -> Array<Numeric>,
        /// Burette readings after each segment, mL, as entered.
        final_readings -> Array<Numeric>,
        /// Temperature of the titrant, C.
        solution_temperature -> Nullable<Numeric>,
        /// Indicator, by its code.
        indicator -> Text,
        /// Drops of indicator.
        indicator_drops -> Nullable<Int4>,
        /// End point as seen, in words.
        end_point -> Text,
        /// Titrant volume equivalent to the added iron(II), mL.
        iron_equivalent_ml -> Nullable<Numeric>,
        /// Concession under which an expired or overdue item was used.
        concession_id -> Nullable<Uuid>,
        /// Bench time, as the person or instrument gave it.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Values a phase was made from, and those it left out with a cause.
    chart_baseline_points (id) {
        /// Identity.
        id -> Uuid,
        /// Phase.
        phase_id -> Uuid,
        /// Control value.
        value_id -> Uuid,
        /// Whether it was left out of the limits.
        excluded -> Bool,
        /// Assignable cause of the exclusion.
        cause -> Nullable<Text>,
        /// Evidence for the cause, in words.
        reason -> Nullable<Text>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Phases of charts: limits that hold from a moment on, proposed by one person and approved by another.
    chart_phases (id) {
        /// Identity.
        id -> Uuid,
        /// Chart.
        chart_id -> Uuid,
        /// Which phase of the chart, from 1.
        number -> Int4,
        /// Preliminary or established.
        label -> Text,
        /// Where the limits come from: a target, a reference value as centre, or a baseline.
        origin -> Text,
        /// How s was estimated from a baseline.
        spread -> Nullable<Text>,
        /// Centre line.
        centre -> Numeric,
        /// Standard deviation of the plotted quantity; null for a proportion.
        s -> Nullable<Numeric>,
        /// Lower action limit; null where it cannot be passed.
        lower_action -> Nullable<Numeric>,
        /// Lower warning limit; null where it cannot be passed.
        lower_warning -> Nullable<Numeric>,
        /// Upper warning limit; null for a proportion.
        upper_warning -> Nullable<Numeric>,
        /// Upper action limit; null for a proportion, whose limits depend on the trials.
        upper_action -> Nullable<Numeric>,
        /// Baseline points used; null for a target.
        n -> Nullable<Int4>,
        /// Values observed from here on are judged by it.
        valid_from -> Timestamptz,
        /// Why.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Who is authorised for which method, until when.
    competences (id) {
        /// Identity.
        id -> Uuid,
        /// Who is authorised.
        account_id -> Uuid,
        /// Code of the method, all versions.
        method_code -> Text,
        /// First day.
        valid_from -> Date,
        /// Last day.
        valid_to -> Date,
        /// What the authorisation rests on.
        evidence -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Manager who authorised.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Requests to use an expired or overdue item; in force once two managers have approved, and printed on the report.
    concessions (id) {
        /// Identity.
        id -> Uuid,
        /// Kind of item, by the name of its table.
        item_kind -> Text,
        /// The item.
        item_id -> Uuid,
        /// Why it may be used all the same.
        reason -> Text,
        /// From when.
        valid_from -> Timestamptz,
        /// Until when.
        valid_to -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Control charts: one quantity, one material lot, rules chosen before data.
    control_charts (id) {
        /// Identity.
        id -> Uuid,
        /// Code.
        code -> Text,
        /// Title.
        title -> Text,
        /// What is charted.
        quantity -> Text,
        /// Control material lot, first version.
        material_id -> Nullable<Uuid>,
        /// Method, first version.
        method_id -> Nullable<Uuid>,
        /// Titrant lot, for its factor.
        titrant_id -> Nullable<Uuid>,
        /// Unit of the values; % for relative ranges, differences and recoveries; 1 for a ratio.
        unit -> Text,
        /// Rounding step of the values, in the unit.
        resolution -> Nullable<Numeric>,
        /// Values in a range.
        replicates -> Nullable<Int4>,
        /// Run rules: an array, in the order of their numbers.
        rules -> Jsonb,
        /// Design of a cumulative sum (k, h, head start) or of a moving average (lambda, L).
        design -> Nullable<Jsonb>,
        /// Fewest baseline points of limits without the label preliminary.
        baseline_minimum -> Int4,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Lots of control materials: certified and other reference materials, in-house and spiked ones.
    control_materials (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// Lot code on the label.
        code -> Text,
        /// Certified reference material, reference material, in-house material or spiked sample.
        kind -> Text,
        /// What it is, in words.
        description -> Text,
        /// Matrix.
        matrix -> Text,
        /// Supplier's lot, if bought.
        supplier_lot -> Nullable<Text>,
        /// Assigned value as entered; of a spiked sample the content added. Null until it is certified or studied.
        assigned_value -> Nullable<Numeric>,
        /// Unit of the assigned value.
        unit -> Text,
        /// Standard uncertainty of the assigned value, in the unit.
        standard_uncertainty -> Nullable<Numeric>,
        /// Certificate or study that the assigned value comes from.
        certificate -> Nullable<Text>,
        /// SHA-256 of the certificate's or study's file.
        certificate_digest -> Nullable<Text>,
        /// Evidence of homogeneity.
        homogeneity -> Nullable<Text>,
        /// Evidence of stability.
        stability -> Nullable<Text>,
        /// The lot as registered among the samples, first version: its portions are titrated as controls.
        sample_id -> Nullable<Uuid>,
        /// Last day of use.
        expires_on -> Date,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Control values with the verdict they got when they were recorded; never removed, never judged anew.
    control_values (id) {
        /// Identity.
        id -> Uuid,
        /// Chart.
        chart_id -> Uuid,
        /// Order on the chart, from 1.
        position -> Int4,
        /// Computed from a determination, from two, from a run or a factor; entered; or imported history.
        source -> Text,
        /// Run.
        run_id -> Nullable<Uuid>,
        /// Determination it was computed from.
        determination_id -> Nullable<Uuid>,
        /// Second determination of a pair.
        second_determination_id -> Nullable<Uuid>,
        /// Titrant factor it was computed from.
        factor_id -> Nullable<Uuid>,
        /// Value, unrounded or as entered.
        value -> Numeric,
        /// Counted events of a proportion.
        events -> Nullable<Int4>,
        /// Trials of a proportion.
        trials -> Nullable<Int4>,
        /// Where imported history was written down.
        history -> Nullable<Text>,
        /// Note.
        note -> Nullable<Text>,
        /// Bench time.
        observed_at -> Timestamptz,
        /// Phase in force at the bench time, which judged it; null before the first.
        phase_id -> Nullable<Uuid>,
        /// Numbers of the rules this value completed.
        hits -> Array<Int4>,
        /// Verdict at insertion.
        verdict -> Text,
        /// Cumulative sums or moving average after this value, in s.
        statistic -> Nullable<Jsonb>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Determinations of one analyte in one test portion.
    determinations (id) {
        /// Identity.
        id -> Uuid,
        /// Code.
        code -> Text,
        /// Run.
        run_id -> Uuid,
        /// Version of the method.
        method_id -> Uuid,
        /// First version of the sample.
        sample_id -> Uuid,
        /// First version of the test portion.
        portion_id -> Uuid,
        /// Sample or control material.
        purpose -> Text,
        /// Bench time, as the person or instrument gave it.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Steps of a dilution chain, in order.
    dilution_steps (id) {
        /// Identity.
        id -> Uuid,
        /// Version of the test portion.
        portion_id -> Uuid,
        /// Order, from 1.
        position -> Int4,
        /// Pipette that filled this flask; null in the first step, which the portion itself fills.
        pipette_id -> Nullable<Uuid>,
        /// Flask made up to the mark.
        flask_id -> Uuid,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Measuring equipment: balances, burettes, pipettes, flasks, thermometers, piston burettes.
    equipment (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// Code on the label.
        code -> Text,
        /// Kind of equipment.
        kind -> Text,
        /// What it is, in words.
        description -> Text,
        /// Class as marked, such as A or AS.
        accuracy_class -> Nullable<Text>,
        /// Serial number.
        serial_number -> Nullable<Text>,
        /// Where it stands.
        location -> Nullable<Text>,
        /// Lowest usable reading, in the unit.
        range_low -> Numeric,
        /// Highest usable reading, in the unit; of a pipette or flask its nominal volume.
        range_high -> Numeric,
        /// Smallest step that is read, in the unit; null for a pipette or flask.
        resolution -> Nullable<Numeric>,
        /// Unit of range and resolution.
        unit -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Calibrations; the newest that is valid at a time counts.
    equipment_calibrations (id) {
        /// Identity.
        id -> Uuid,
        /// First version of the equipment.
        equipment_id -> Uuid,
        /// Certificate number.
        certificate -> Text,
        /// SHA-256 of the certificate's file.
        certificate_digest -> Nullable<Text>,
        /// Day of calibration; valid from its beginning (UTC).
        calibrated_on -> Date,
        /// Last day of validity.
        due_on -> Date,
        /// Corrections table: an array of {"reading", "correction"}, decimals as text, rising readings.
        corrections -> Jsonb,
        /// Calibrated volume of a pipette or flask at 20 C, mL.
        calibrated_value -> Nullable<Numeric>,
        /// Standard uncertainty of a volume or mass, in the unit.
        standard_uncertainty -> Numeric,
        /// Degrees of freedom of that uncertainty; null for unlimited.
        degrees_of_freedom -> Nullable<Numeric>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Checks between calibrations; a failed one takes the equipment out of service.
    equipment_checks (id) {
        /// Identity.
        id -> Uuid,
        /// First version of the equipment.
        equipment_id -> Uuid,
        /// passed or failed.
        outcome -> Text,
        /// Reading of the check, as entered.
        reading -> Nullable<Numeric>,
        /// Reference value.
        reference -> Nullable<Numeric>,
        /// What was seen.
        note -> Nullable<Text>,
        /// Bench time, as the person or instrument gave it.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// What was handed out of the service, to whom, and the digest of its content.
    exports (id) {
        /// Identity.
        id -> Uuid,
        /// What was exported.
        what -> Text,
        /// What it was narrowed to.
        query -> Text,
        /// Format.
        format -> Text,
        /// SHA-256 of the content, the same in every format.
        digest -> Text,
        /// Number of records.
        records -> Int8,
        /// Server time of the export.
        recorded_at -> Timestamptz,
        /// Account that got it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Answers already given, so that a repeated request is carried out once. A working table.
    idempotency_keys (account_id, key) {
        /// Who asked.
        account_id -> Uuid,
        /// Key the client chose.
        key -> Text,
        /// Method and path.
        operation -> Text,
        /// Code of the body, made with a secret of the installation that is not in the store: bodies may hold passwords.
        body_digest -> Bytea,
        /// Location header of the answer.
        location -> Text,
        /// Body of the answer.
        answer -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
    }
}

diesel::table! {
    /// A second person's word that an account whose password somebody else had set is in the hands of its owner.
    identity_confirmations (id) {
        /// Identity.
        id -> Uuid,
        /// Whose account.
        account_id -> Uuid,
        /// The password that somebody else had set.
        secret_id -> Uuid,
        /// How it is known.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Manager who confirmed; null for passwords set before anybody had to.
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    /// Files whose rows became records, kept as they came.
    imported_files (id) {
        /// Identity.
        id -> Uuid,
        /// What the rows became.
        purpose -> Text,
        /// What they belong to: the chart, or the characteristic of a validation study.
        subject_id -> Uuid,
        /// Name of the file, as given.
        file_name -> Text,
        /// Decimal mark, as declared.
        decimal_mark -> Text,
        /// Separator of the columns, as declared.
        separator -> Text,
        /// SHA-256 of the text.
        digest -> Text,
        /// The text, as it came. Its audit event holds the digest.
        content -> Text,
        /// Number of records made of it.
        records -> Int4,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Tables of what a laboratory has, whose rows became records, kept as they came.
    imported_tables (id) {
        /// Identity.
        id -> Uuid,
        /// What the rows became.
        purpose -> Text,
        /// What they belong to, where they belong to one thing: the control chart.
        subject_id -> Nullable<Uuid>,
        /// Name of the file, as given.
        file_name -> Text,
        /// What the file is.
        format -> Text,
        /// How it was read: sheet, marks, columns, what stood in every row.
        reading -> Jsonb,
        /// SHA-256 of the file.
        digest -> Text,
        /// The file, as it came. Its audit event holds a digest.
        content -> Bytea,
        /// Number of records made of it.
        records -> Int4,
        /// Every row with the record it became. Its audit event holds a digest.
        became -> Jsonb,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Iron(III) by difference of total iron and iron(II) of one sample.
    iron_results (id) {
        /// Identity.
        id -> Uuid,
        /// Code.
        code -> Text,
        /// First version of the sample.
        sample_id -> Uuid,
        /// Determination of total iron.
        total_id -> Uuid,
        /// Determination of iron(II).
        iron2_id -> Uuid,
        /// Bench time, as the person or instrument gave it.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Records that were made long after what they are about, and why.
    late_entries (id) {
        /// Identity.
        id -> Uuid,
        /// Kind of record, by the name of its table.
        entity_kind -> Text,
        /// The record; of a thing with versions, the version.
        entity_id -> Uuid,
        /// Bench time of the record.
        observed_at -> Timestamptz,
        /// Why it was recorded so much later.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Method versions. An approved version is pinned by every determination made under it.
    methods (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// Code of the method.
        code -> Text,
        /// Title.
        title -> Text,
        /// Principle, in words.
        principle -> Text,
        /// What is determined.
        analyte -> Text,
        /// Matrix it is validated for.
        matrix -> Text,
        /// Titration chemistry, by its code.
        chemistry -> Text,
        /// Reduction procedure, by its code; none for a direct titration.
        reduction -> Text,
        /// Indicator, by its code.
        indicator -> Text,
        /// Concordance, replicates, corrections, blank policy, rounding, coverage, QC plan and limits; decimals as text.
        rules -> Jsonb,
        /// Why a mercury reduction was chosen over a mercury-free one.
        mercury_reason -> Nullable<Text>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Nonconformities, opened by a person or by what happened.
    nonconformities (id) {
        /// Identity.
        id -> Uuid,
        /// Code.
        code -> Text,
        /// What brought it up.
        source -> Text,
        /// Severity.
        severity -> Text,
        /// Title.
        title -> Text,
        /// What is concerned.
        scope -> Text,
        /// Opened by the service because of what happened.
        automatic -> Bool,
        /// Who sees to it; somebody else closes it.
        owner_id -> Uuid,
        /// Day by which it is to be closed.
        due_on -> Date,
        /// When it came up.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Records a nonconformity concerns.
    nonconformity_links (id) {
        /// Identity.
        id -> Uuid,
        /// Nonconformity.
        nonconformity_id -> Uuid,
        /// Kind of record, by the name of its table.
        entity_kind -> Text,
        /// The record.
        entity_id -> Uuid,
        /// What it came from, what it affects, or what was determined since the last good control.
        relation -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// What was found and done about a nonconformity.
    nonconformity_steps (id) {
        /// Identity.
        id -> Uuid,
        /// Nonconformity.
        nonconformity_id -> Uuid,
        /// Containment, impact assessment, root cause, corrective action or effectiveness check.
        kind -> Text,
        /// In words.
        words -> Text,
        /// Whether the action was found effective.
        effective -> Nullable<Bool>,
        /// Day by which an action is to be done.
        due_on -> Nullable<Date>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Present states, from state_moves, for lists. A working table that only triggers write.
    present_states (entity_id) {
        /// The thing.
        entity_id -> Uuid,
        /// Kind of thing, by the name of its table.
        entity_kind -> Text,
        /// Where its last move led, or the first state of its kind.
        state -> Text,
    }
}

diesel::table! {
    /// Lots of primary standards and iron reference materials with their certificates.
    primary_standards (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// Lot code of the laboratory.
        code -> Text,
        /// Substance, by its code in the chemistry data.
        substance -> Text,
        /// Supplier.
        supplier -> Text,
        /// Supplier's lot.
        supplier_lot -> Text,
        /// Certificate number.
        certificate -> Text,
        /// SHA-256 of the certificate's file.
        certificate_digest -> Nullable<Text>,
        /// Certified mass fraction (purity, or iron content of an iron reference material).
        mass_fraction -> Numeric,
        /// Expanded uncertainty of the mass fraction.
        expanded_uncertainty -> Numeric,
        /// Its coverage factor k.
        coverage_factor -> Numeric,
        /// What the mass fraction expresses, such as oxidising capacity.
        basis -> Text,
        /// Density for the buoyancy correction, g/cm3.
        density -> Nullable<Numeric>,
        /// Drying programme.
        drying -> Nullable<Text>,
        /// Amount received, g.
        received_g -> Nullable<Numeric>,
        /// Day opened.
        opened_on -> Nullable<Date>,
        /// Last day of use.
        expires_on -> Date,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Printed names that are taken, from accounts. A working table that only triggers write.
    printed_names (name_key) {
        /// The name as it is compared.
        name_key -> Text,
        /// Account that prints it first.
        account_id -> Uuid,
    }
}

diesel::table! {
    /// Rounds of proficiency tests and comparisons, with the laboratory's own result.
    proficiency_rounds (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// Code of the round.
        code -> Text,
        /// Rounds of one series are one history: material and quantity as the laboratory calls them.
        series -> Text,
        /// Who assigned the value, by role only.
        provider -> Text,
        /// Material of the round.
        material -> Text,
        /// What was determined.
        quantity -> Text,
        /// Unit of all values.
        unit -> Text,
        /// Assigned value.
        assigned_value -> Numeric,
        /// Standard uncertainty of the assigned value.
        assigned_u -> Numeric,
        /// Coverage factor of the assigned value's expanded uncertainty.
        assigned_k -> Numeric,
        /// Standard deviation for proficiency assessment.
        sigma_pt -> Numeric,
        /// Determination that the own result comes from.
        determination_id -> Nullable<Uuid>,
        /// Own result, where it was entered.
        own_value -> Nullable<Numeric>,
        /// Its standard uncertainty.
        own_u -> Nullable<Numeric>,
        /// Its coverage factor.
        own_k -> Nullable<Numeric>,
        /// Why the own result was entered, and where it comes from.
        own_basis -> Nullable<Text>,
        /// When the provider reported the round.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Quality control that every run of a method version needs.
    qc_plans (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// Method version.
        method_id -> Uuid,
        /// Charts of which every run needs so many values: an array of {"chart", "values"}.
        charts -> Jsonb,
        /// Fewest blanks.
        blanks -> Int4,
        /// Fewest samples determined in duplicate.
        duplicates -> Int4,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Reagent lots.
    reagents (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// Lot code of the laboratory.
        code -> Text,
        /// Substance.
        substance -> Text,
        /// Concentration, in words and units.
        concentration -> Text,
        /// Supplier's lot, if bought.
        supplier_lot -> Nullable<Text>,
        /// Day prepared or received.
        prepared_on -> Date,
        /// Last day of use.
        expires_on -> Date,
        /// Hazard classes from the supplier's SDS.
        hazard_class -> Text,
        /// Where the SDS is kept.
        sds_reference -> Text,
        /// Waste stream by the laboratory's own plan.
        waste_stream -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Single-use tokens that renew a session; presenting a used one ends the session. A working table.
    refresh_tokens (token_hash) {
        /// SHA-256 of the token.
        token_hash -> Bytea,
        /// Session it renews.
        session_id -> Uuid,
        /// Server time of issue.
        issued_at -> Timestamptz,
        /// End of validity.
        expires_at -> Timestamptz,
        /// When it was exchanged.
        used_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    /// A manager's answer to a role grant.
    role_grant_decisions (id) {
        /// Identity.
        id -> Uuid,
        /// The grant decided on.
        role_grant_id -> Uuid,
        /// approved or refused.
        decision -> Text,
        /// Why, if said.
        reason -> Nullable<Text>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Manager who decided.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Roles given and withdrawn. A grant counts once a manager has approved it; a withdrawal at once.
    role_grants (id) {
        /// Identity.
        id -> Uuid,
        /// Who receives or loses the role.
        account_id -> Uuid,
        /// The role.
        role -> Text,
        /// grant or withdraw.
        effect -> Text,
        /// Why.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that asked; null when made from the command line, and then in force at once.
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    /// Which rejected run a run repeats; both stay.
    run_repeats (id) {
        /// Identity.
        id -> Uuid,
        /// The repetition.
        run_id -> Uuid,
        /// The rejected run.
        repeats_id -> Uuid,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Analytical runs: the unit of acceptance.
    runs (id) {
        /// Identity.
        id -> Uuid,
        /// Code.
        code -> Text,
        /// Version of the method.
        method_id -> Uuid,
        /// Bench.
        bench -> Text,
        /// Room temperature, C.
        environment_temperature -> Nullable<Numeric>,
        /// Note.
        note -> Nullable<Text>,
        /// Bench time, as the person or instrument gave it.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Samples as received.
    samples (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// Code on the label.
        code -> Text,
        /// Client's reference.
        client_reference -> Text,
        /// Description.
        description -> Text,
        /// Matrix.
        matrix -> Text,
        /// When it was taken, if known.
        sampled_at -> Nullable<Timestamptz>,
        /// When it was received.
        received_at -> Timestamptz,
        /// Condition on receipt.
        condition -> Text,
        /// Preservation: acidified, headspace, temperature.
        preservation -> Text,
        /// Container.
        container -> Text,
        /// Where it is stored.
        storage -> Text,
        /// Until when iron(II) may be titrated.
        iron2_deadline -> Nullable<Timestamptz>,
        /// Day until which it is kept.
        retained_until -> Date,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Tokens of instruments, stored hashed, with the operations they may call.
    service_tokens (id) {
        /// Identity.
        id -> Uuid,
        /// Service account that acts with the token.
        account_id -> Uuid,
        /// What the token is for.
        label -> Text,
        /// SHA-256 of the token. Never written to the audit log.
        token_hash -> Bytea,
        /// Actions it may do.
        scopes -> Array<Text>,
        /// End of validity.
        expires_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Administrator who made it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Sign-ins; ending one makes its tokens useless at once. A working table, its events are in the audit log.
    sessions (id) {
        /// Identity, named in the access token.
        id -> Uuid,
        /// Who signed in.
        account_id -> Uuid,
        /// Address of the sign-in.
        source_address -> Nullable<Text>,
        /// Server time of the sign-in.
        started_at -> Timestamptz,
        /// Server time of the end.
        ended_at -> Nullable<Timestamptz>,
        /// signed out, signed out elsewhere, refresh token reused, password changed or account locked.
        end_reason -> Nullable<Text>,
    }
}

diesel::table! {
    /// Every time a password was checked. Past some failures the next must wait; nothing is locked by them.
    sign_in_attempts (id) {
        /// Identity.
        id -> Uuid,
        /// Whose password was checked.
        account_id -> Uuid,
        /// Whether it was right.
        succeeded -> Bool,
        /// What it was asked for.
        purpose -> Text,
        /// Server time of the check.
        recorded_at -> Timestamptz,
    }
}

diesel::table! {
    /// Signatures: what was signed, with what meaning, and the evaluation as it stood.
    sign_offs (id) {
        /// Identity.
        id -> Uuid,
        /// Kind of thing, by the name of its table.
        entity_kind -> Text,
        /// The thing.
        entity_id -> Uuid,
        /// Meaning of the signature.
        meaning -> Text,
        /// Name of the signer as printed.
        printed_name -> Text,
        /// The sentence signed.
        statement -> Text,
        /// SHA-256 of the canonical text of what was signed.
        content_digest -> Text,
        /// The evaluation as JSON text, bit for bit as it stood.
        evaluation -> Nullable<Text>,
        /// Version of the formulae.
        formula_set -> Text,
        /// Reason, where one is asked for.
        reason -> Nullable<Text>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// How far the replicates of a standardisation may differ, where another limit than the usual one was stated before they were made.
    standardisation_limits (id) {
        /// Identity.
        id -> Uuid,
        /// Standardisation.
        standardisation_id -> Uuid,
        /// Largest range of the concentrations relative to their mean, %.
        agreement_percent -> Numeric,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Replicates and blanks of a standardisation.
    standardisation_titrations (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// Standardisation.
        standardisation_id -> Uuid,
        /// Order of recording, from 1.
        position -> Int4,
        /// Replicate or blank.
        kind -> Text,
        /// Mass of standard, g, as read; null for a blank or an aliquot of a titrant.
        mass_g -> Nullable<Numeric>,
        /// Burette readings before each segment, mL, as entered.
        initial_readings -> Array<Numeric>,
        /// Burette readings after each segment, mL, as entered.
        final_readings -> Array<Numeric>,
        /// Temperature of the titrant, C.
        solution_temperature -> Nullable<Numeric>,
        /// End point as seen, in words.
        end_point -> Text,
        /// Bench time, as the person or instrument gave it.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Standardisations of a titrant lot.
    standardisations (id) {
        /// Identity.
        id -> Uuid,
        /// Code.
        code -> Text,
        /// Titrant lot that is standardised.
        titrant_id -> Uuid,
        /// Against what.
        against -> Text,
        /// Version of the primary-standard lot.
        primary_standard_id -> Nullable<Uuid>,
        /// Factor of the titrant that serves as reference.
        reference_factor_id -> Nullable<Uuid>,
        /// Balance, first version.
        balance_id -> Nullable<Uuid>,
        /// Pipette that took the reference titrant, first version.
        pipette_id -> Nullable<Uuid>,
        /// Burette, first version.
        burette_id -> Uuid,
        /// Indicator, by its code.
        indicator -> Text,
        /// For how many days the factor shall hold.
        valid_days -> Int4,
        /// Whether burette corrections are applied.
        correct_burette -> Bool,
        /// Whether volumes are corrected to 20 C.
        correct_temperature -> Bool,
        /// Whether masses are corrected for air buoyancy.
        correct_buoyancy -> Bool,
        /// Bench time, as the person or instrument gave it.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Moves between the states of recorded things. A thing without a move is in the first state of its kind.
    state_moves (id) {
        /// Identity.
        id -> Uuid,
        /// Kind of thing, by the name of its table.
        entity_kind -> Text,
        /// The thing.
        entity_id -> Uuid,
        /// Which move of the thing, from 1; two people cannot both make the same one.
        position -> Int4,
        /// State before.
        from_state -> Text,
        /// State after.
        to_state -> Text,
        /// Assignable cause from the list, where the move needs one.
        cause -> Nullable<Text>,
        /// Why, in words.
        reason -> Nullable<Text>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that moved it; null for the system.
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    /// Test portions: what was taken of a sample and how it was diluted.
    test_portions (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// First version of the sample.
        sample_id -> Uuid,
        /// Whether the portion is a volume or a mass.
        taken_by -> Text,
        /// Mass of the portion, g, as read.
        mass_g -> Nullable<Numeric>,
        /// Balance, first version.
        balance_id -> Nullable<Uuid>,
        /// Pipette that took a volume portion into the first flask or, without dilution, into the titration vessel.
        pipette_id -> Nullable<Uuid>,
        /// Pipette that took the titrated aliquot of the last solution; null when the portion is titrated whole.
        aliquot_pipette_id -> Nullable<Uuid>,
        /// Density of the sample, g/cm3, where a conversion between mass and volume is wanted.
        density -> Nullable<Numeric>,
        /// Standard uncertainty of the density.
        density_u -> Nullable<Numeric>,
        /// Temperature of the solutions, C.
        temperature -> Nullable<Numeric>,
        /// Bench time, as the person or instrument gave it.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Concentrations a titrant lot had, each from its moment on. The one in force is the latest that has begun.
    titrant_factors (id) {
        /// Identity.
        id -> Uuid,
        /// Titrant lot.
        titrant_id -> Uuid,
        /// Preparation it comes from.
        preparation_id -> Nullable<Uuid>,
        /// Standardisation it comes from.
        standardisation_id -> Nullable<Uuid>,
        /// Amount concentration at 20 C, mol/L, unrounded.
        concentration -> Numeric,
        /// Its standard uncertainty, mol/L, unrounded.
        standard_uncertainty -> Numeric,
        /// Effective degrees of freedom; null for unlimited.
        degrees_of_freedom -> Nullable<Numeric>,
        /// Concentration divided by the nominal one, unrounded.
        factor -> Numeric,
        /// From when it counts.
        valid_from -> Timestamptz,
        /// Until when it may be used.
        valid_to -> Timestamptz,
        /// The evaluation it was taken from, as JSON text.
        evaluation -> Text,
        /// Version of the formulae.
        formula_set -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Direct preparations of titrant lots by mass.
    titrant_preparations (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// Titrant lot.
        titrant_id -> Uuid,
        /// Version of the primary-standard lot.
        primary_standard_id -> Uuid,
        /// Mass weighed, g, as read.
        mass_g -> Numeric,
        /// Balance, first version.
        balance_id -> Uuid,
        /// Flask, first version.
        flask_id -> Uuid,
        /// Temperature at which the flask was made up, C.
        solution_temperature -> Numeric,
        /// Bench time, as the person or instrument gave it.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Titrant lots.
    titrants (id) {
        /// Identity.
        id -> Uuid,
        /// Lot code.
        code -> Text,
        /// Titrant species, by its code in the chemistry data.
        chemistry -> Text,
        /// Nominal concentration as entered.
        nominal_concentration -> Numeric,
        /// Unit of that entry: mol/L or equivalents per litre.
        concentration_unit -> Text,
        /// Nominal amount concentration, mol/L.
        nominal_mol_per_l -> Numeric,
        /// How its concentration is known.
        route -> Text,
        /// Lowest acceptable factor.
        factor_low -> Numeric,
        /// Highest acceptable factor.
        factor_high -> Numeric,
        /// Storage.
        storage -> Text,
        /// Container.
        container -> Text,
        /// End of use.
        expires_at -> Timestamptz,
        /// Bench time, as the person or instrument gave it.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Titrations made under supervision, and whose.
    titration_supervisions (id) {
        /// Identity.
        id -> Uuid,
        /// The titration, in this version.
        titration_id -> Uuid,
        /// Who supervised; countersigns before the determination is submitted.
        supervisor_id -> Uuid,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Titrations: every one made, with its readings as entered.
    titrations (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one corrects; each can be corrected once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the correction.
        reason -> Nullable<Text>,
        /// Determination.
        determination_id -> Uuid,
        /// Order of recording, from 1; kept by corrections.
        position -> Int4,
        /// Rough or accurate; a rough titre never enters a mean.
        kind -> Text,
        /// Titrant lot.
        titrant_id -> Uuid,
        /// Factor in force at the time.
        factor_id -> Uuid,
        /// Burette, first version.
        burette_id -> Uuid,
        /// Burette calibration in force at the time.
        calibration_id -> Uuid,
        /// Burette readings before each segment, mL, as entered; a refill begins a new segment.
        initial_readings -> Array<Numeric>,
        /// Burette readings after each segment, mL, as entered.
        final_readings -> Array<Numeric>,
        /// Temperature of the titrant, C.
        solution_temperature -> Nullable<Numeric>,
        /// Indicator, by its code.
        indicator -> Text,
        /// Drops of indicator.
        indicator_drops -> Nullable<Int4>,
        /// End point as seen, in words.
        end_point -> Text,
        /// Persistence, overrun, half-drops and anything else seen.
        end_point_note -> Nullable<Text>,
        /// Reduction record: what was added, seen and waited, decimals as text; null for a direct titration.
        reduction -> Nullable<Jsonb>,
        /// Back-titration: factor of the oxidant added in excess.
        oxidant_factor_id -> Nullable<Uuid>,
        /// Back-titration: pipette that delivered it, first version.
        oxidant_pipette_id -> Nullable<Uuid>,
        /// Waste stream the titrated solution went to.
        waste_stream -> Text,
        /// Concession under which an expired or overdue item was used.
        concession_id -> Nullable<Uuid>,
        /// Saved more than the configured delay after it was observed.
        late -> Bool,
        /// Bench time, as the person or instrument gave it.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Keys that sign access tokens, shared by all processes. A working table.
    token_keys (id) {
        /// Key id (kid) in the token's header.
        id -> Text,
        /// Random bytes; the signing key is made of them with a secret of the installation that is not in the store.
        secret -> Bytea,
        /// Server time of creation.
        created_at -> Timestamptz,
        /// New tokens are signed with it until then.
        signs_until -> Timestamptz,
        /// Tokens signed with it are accepted until then.
        verifies_until -> Timestamptz,
    }
}

diesel::table! {
    /// Late changes of limits of acceptance: proposed by one person, approved by another, shown in every reading.
    validation_amendments (id) {
        /// Identity.
        id -> Uuid,
        /// Characteristic.
        characteristic_id -> Uuid,
        /// Which amendment of the characteristic, from 1.
        number -> Int4,
        /// Limits in force when it was proposed.
        old_limits -> Jsonb,
        /// Limits proposed.
        limits -> Jsonb,
        /// Why.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Performance characteristics of a plan: design, size and limits of acceptance, set before the data.
    validation_characteristics (id) {
        /// Identity.
        id -> Uuid,
        /// Study.
        study_id -> Uuid,
        /// Which of the plan, from 1.
        position -> Int4,
        /// What is studied.
        kind -> Text,
        /// What is studied, in words.
        title -> Text,
        /// Unit of the data.
        unit -> Text,
        /// Data planned.
        planned_n -> Int4,
        /// Factors, levels, sizes and settings of the design.
        design -> Jsonb,
        /// Limits of acceptance: statistic, what must lie between them, limits and unit.
        limits -> Jsonb,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Conclusions of validation studies, signed by their authors.
    validation_conclusions (id) {
        /// Identity.
        id -> Uuid,
        /// Study.
        study_id -> Uuid,
        /// Which conclusion of the study, from 1; an earlier one was returned.
        number -> Int4,
        /// Whether the method is fit for the purpose.
        fit -> Bool,
        /// The conclusion.
        words -> Text,
        /// Lower end of the validated range.
        validated_low -> Numeric,
        /// Upper end of the validated range.
        validated_high -> Numeric,
        /// Unit of the range.
        unit -> Text,
        /// Validated matrix.
        matrix -> Text,
        /// Residual limitations.
        limitations -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Author of the conclusion.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Data of validation studies, each with where it comes from; never removed.
    validation_data (id) {
        /// Identity.
        id -> Uuid,
        /// Characteristic.
        characteristic_id -> Uuid,
        /// Which of the characteristic, from 1.
        position -> Int4,
        /// Value in the unit of the characteristic.
        value -> Numeric,
        /// Standard uncertainty of the value, if known, in the unit.
        standard_uncertainty -> Nullable<Numeric>,
        /// Where it belongs in the design: group, taken, added, hours, pair, arm, run, analyst, burette, lot, note.
        labels -> Jsonb,
        /// A determination or an iron result of the record, a row of an imported table, or a person.
        source -> Text,
        /// Determination whose evaluation gave the value.
        determination_id -> Nullable<Uuid>,
        /// Digest of that evaluation's content when the value was taken.
        content_digest -> Nullable<Text>,
        /// Imported file.
        file_id -> Nullable<Uuid>,
        /// Line of the file.
        line -> Nullable<Int4>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Data left out with an assigned cause: proposed by one person, signed by another.
    validation_exclusions (id) {
        /// Identity.
        id -> Uuid,
        /// Datum.
        datum_id -> Uuid,
        /// Assigned cause.
        cause -> Text,
        /// What shows it.
        evidence -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Iron results that gave data of validation studies.
    validation_iron_data (id) {
        /// Identity.
        id -> Uuid,
        /// Datum: iron(III) by difference and its standard uncertainty.
        datum_id -> Uuid,
        /// Characteristic of the datum; an iron result is taken once for each.
        characteristic_id -> Uuid,
        /// Iron result whose evaluation gave the value.
        iron_result_id -> Uuid,
        /// Total iron of the same evaluation, in the unit of the characteristic.
        total -> Numeric,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Validation studies: the plan of one method version, written before its data.
    validation_studies (id) {
        /// Identity.
        id -> Uuid,
        /// Code.
        code -> Text,
        /// Title.
        title -> Text,
        /// What the method shall be good for.
        purpose -> Text,
        /// Method version under study.
        method_id -> Uuid,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Author of the plan.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Rules by which results are judged against specifications, version by version.
    decision_rules (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one follows; each can be followed once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the new version.
        reason -> Nullable<Text>,
        /// Code.
        code -> Text,
        /// Title.
        title -> Text,
        /// How the acceptance limits follow from the tolerance limits.
        kind -> Text,
        /// Length of the guard band, in U or in u.
        multiple -> Nullable<Numeric>,
        /// Level that a multiple of u stands for at a single limit.
        one_sided_level -> Nullable<Numeric>,
        /// Least conformance probability of what is accepted.
        least_probability -> Nullable<Numeric>,
        /// Whether the result is compared unrounded or as reported.
        compared -> Text,
        /// What an accepted result is called.
        conforms -> Text,
        /// What a result between acceptance limit and tolerance limit is called.
        conditional -> Text,
        /// What a result outside the tolerance is called.
        does_not_conform -> Text,
        /// Risk that goes with the rule, in words.
        risk -> Text,
        /// Where the rule comes from.
        source -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Author of the version.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Limits that results are judged by, for a client or a matrix, version by version.
    specifications (id) {
        /// Identity.
        id -> Uuid,
        /// The thing itself, the same in all its versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1.
        version -> Int4,
        /// Version this one follows; each can be followed once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the new version.
        reason -> Nullable<Text>,
        /// Code.
        code -> Text,
        /// Title.
        title -> Text,
        /// For whom and for what it is, in words.
        scope -> Text,
        /// Client that it was agreed with.
        client_reference -> Nullable<Text>,
        /// Matrix that it is for.
        matrix -> Nullable<Text>,
        /// What is judged.
        analyte -> Text,
        /// As what the limits are expressed.
        expressed -> Text,
        /// Unit of the limits.
        unit -> Text,
        /// Lower tolerance limit, as entered.
        lower_limit -> Nullable<Numeric>,
        /// Upper tolerance limit, as entered.
        upper_limit -> Nullable<Numeric>,
        /// Version of the decision rule; without one, that of the method version counts.
        decision_rule_id -> Nullable<Uuid>,
        /// From when samples can be given it.
        effective_from -> Timestamptz,
        /// Until when.
        effective_to -> Nullable<Timestamptz>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Author of the version.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Specifications that samples are judged by.
    sample_specifications (id) {
        /// Identity.
        id -> Uuid,
        /// First version of the sample.
        sample_id -> Uuid,
        /// Version of the specification.
        specification_id -> Uuid,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that assigned it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Specifications that were taken off samples; the assignment stays on record.
    specification_removals (id) {
        /// Identity.
        id -> Uuid,
        /// What was taken off.
        sample_specification_id -> Uuid,
        /// Why.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that took it off.
        recorded_by -> Uuid,
    }
}

// Only pairs that a query joins: naming every table here makes an implementation for each of two thousand pairs, which
// takes the compiler a minute.
diesel::table! {
    /// Which calibration corrects which; both stay.
    calibration_corrections (id) {
        /// Identity.
        id -> Uuid,
        /// The calibration as it should be.
        calibration_id -> Uuid,
        /// The calibration that was wrong; each can be corrected once.
        corrects_id -> Uuid,
        /// Reason of the correction.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Files of certificates, each once.
    certificate_files (id) {
        /// Identity.
        id -> Uuid,
        /// SHA-256 of the file, by which calibrations and lots name it.
        digest -> Text,
        /// Name of the file, as given.
        file_name -> Text,
        /// What the file is, by its first bytes.
        media_type -> Text,
        /// The file, as it came. Its audit event holds a digest.
        content -> Bytea,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// What a certificate states, from which the standard uncertainty of the calibration follows.
    calibration_statements (id) {
        /// Identity.
        id -> Uuid,
        /// The calibration.
        calibration_id -> Uuid,
        /// expanded uncertainty, permissible error, accuracy class, or repeatability and linearity.
        stated_as -> Text,
        /// Value as printed: expanded uncertainty, permissible error, or repeatability.
        value -> Nullable<Numeric>,
        /// Its unit: that of the equipment, per cent or ppm of the value.
        unit -> Nullable<Text>,
        /// Coverage factor of an expanded uncertainty.
        coverage_factor -> Nullable<Numeric>,
        /// Accuracy class as marked.
        accuracy_class -> Nullable<Text>,
        /// Largest deviation from linearity, in the unit of the equipment.
        linearity -> Nullable<Numeric>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Which factor takes the place of which; both stay.
    factor_corrections (id) {
        /// Identity.
        id -> Uuid,
        /// The factor as it should be.
        factor_id -> Uuid,
        /// The factor whose place it takes; each can be corrected once.
        corrects_id -> Uuid,
        /// Why its preparation or standardisation was amended.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Manager who released or approved it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Why results of a method version go on being judged although a control chart refutes their budget; holds for one phase of the chart.
    budget_decisions (id) {
        /// Identity.
        id -> Uuid,
        /// Method version.
        method_id -> Uuid,
        /// Control chart that refutes its budget.
        chart_id -> Uuid,
        /// Phase of the chart then in force; null before the first.
        phase_id -> Nullable<Uuid>,
        /// What the chart showed then, in words.
        seen -> Text,
        /// Why statements of conformity go on.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Manager who decided.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Which check of equipment corrects which; both stay.
    check_corrections (id) {
        /// Identity.
        id -> Uuid,
        /// The check as it should be.
        check_id -> Uuid,
        /// The check that was wrong; each can be corrected once.
        corrects_id -> Uuid,
        /// Reason of the correction.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// What a manager decided for a signed result that something touched.
    impact_decisions (id) {
        /// Identity.
        id -> Uuid,
        /// What touched it.
        impact_id -> Uuid,
        /// Signature of the author under which the result stands.
        sign_off_id -> Uuid,
        /// no change, or amended.
        decision -> Text,
        /// Why.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Manager who decided.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Rows that supersede, compete with or invalidate what a signature stands over; written by the store itself with that row. What is touched is a join with the pins.
    impacts (id) {
        /// Identity.
        id -> Uuid,
        /// Kind of the row that touches, by the name of its table.
        cause_kind -> Text,
        /// That row.
        cause_id -> Uuid,
        /// The pinned row it touches.
        touched_id -> Uuid,
        /// Touches only what used the row at or after this bench time; null for all.
        since -> Nullable<Timestamptz>,
        /// Whether a figure could come out differently.
        figures -> Bool,
        /// What happened, in words.
        what -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that wrote the cause; null for the service itself.
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    /// Rows that signatures stand over: what is signed is read from them alone. One row a signature; its lists go together.
    pins (id) {
        /// Identity.
        id -> Uuid,
        /// Signature.
        sign_off_id -> Uuid,
        /// Kind of each row, by the name of its table.
        kinds -> Array<Text>,
        /// Identity of each row.
        row_ids -> Array<Uuid>,
        /// When each was last used for what is signed, bench time.
        used_at -> Array<Timestamptz>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that signed; null where a signature of an earlier release got its pins.
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    /// Signatures of an earlier release whose digest fits no rows on record: marked, not repaired.
    unpinned_signatures (id) {
        /// Identity.
        id -> Uuid,
        /// Signature.
        sign_off_id -> Uuid,
        /// What does not fit.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account; null for the service itself.
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    /// The laboratory as its certificates name it, version by version. There is one.
    laboratories (id) {
        /// Identity.
        id -> Uuid,
        /// The laboratory itself, the same in all versions: the id of the first.
        record_id -> Uuid,
        /// Version, from 1; once each, as there is one laboratory.
        version -> Int4,
        /// Version this one follows; each can be followed once.
        supersedes -> Nullable<Uuid>,
        /// Reason of the new version.
        reason -> Nullable<Text>,
        /// Name.
        name -> Text,
        /// Postal address, and where the work is done.
        address -> Text,
        /// How it is reached: telephone, e-mail.
        contact -> Text,
        /// What it says of its accreditation on certificates; null if it says nothing.
        accreditation -> Nullable<Text>,
        /// Address below which the status of a certificate is looked up, for the symbol on the certificate; null if there is none.
        status_address -> Nullable<Text>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Certificates of analysis, draft by draft and issue by issue; each row is the document that can be signed, frozen.
    certificates (id) {
        /// Identity.
        id -> Uuid,
        /// The certificate itself, the same in all its issues: the id of the first row.
        record_id -> Uuid,
        /// Version, from 1, counting drafts.
        version -> Int4,
        /// Version this one follows; each can be followed once.
        supersedes -> Nullable<Uuid>,
        /// Why it was drawn up anew, or why the issue before is replaced.
        reason -> Nullable<Text>,
        /// Year of its number.
        year -> Int4,
        /// Place in that year.
        running -> Int4,
        /// Number, of year and place.
        number -> Text,
        /// Issue, from 1; a later one replaces the one before.
        issue -> Int4,
        /// The laboratory, in this version.
        laboratory_id -> Uuid,
        /// Customer.
        customer -> Text,
        /// Address of the customer.
        customer_address -> Text,
        /// Additions to, deviations from or exclusions from the method, in words; null if there is nothing to add.
        remarks -> Nullable<Text>,
        /// What differs from the issue before; null in the first.
        what_changed -> Nullable<Text>,
        /// Specifications of the samples, as assigned, whose statements of conformity it holds.
        specifications -> Array<Uuid>,
        /// Everything it says, as JSON text, bit for bit.
        document -> Text,
        /// SHA-256 of that text after its heading line.
        content_digest -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Who drew it up.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Results on certificates, each under the signature of its author that is certified.
    certificate_results (id) {
        /// Identity.
        id -> Uuid,
        /// The certificate, in this version.
        certificate_id -> Uuid,
        /// Order on the certificate.
        position -> Int4,
        /// determinations or iron_results.
        result_kind -> Text,
        /// The result.
        result_id -> Uuid,
        /// Signature of its author.
        sign_off_id -> Uuid,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// The document of each issue as it went out: the same bytes for ever, whatever program reads them later.
    certificate_papers (id) {
        /// Identity.
        id -> Uuid,
        /// The issue.
        certificate_id -> Uuid,
        /// The document, PDF/A.
        pdf -> Bytea,
        /// SHA-256 of the document.
        pdf_digest -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that authorised it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Documents of issues that were taken out of the service.
    certificate_copies (id) {
        /// Identity.
        id -> Uuid,
        /// The issue.
        certificate_id -> Uuid,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Who took it out.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Who was sent which issue, and so is told when it is amended or withdrawn.
    certificate_deliveries (id) {
        /// Identity.
        id -> Uuid,
        /// The issue.
        certificate_id -> Uuid,
        /// Who got it.
        recipient -> Text,
        /// How: by e-mail, by post, by hand.
        means -> Text,
        /// When it was sent or handed over.
        delivered_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Sign-ins with a name that no account has; the address is in the event.
    unknown_sign_ins (id) {
        /// Identity.
        id -> Uuid,
        /// The name as given; null where it has not the form of one, or might be somebody's password.
        name -> Nullable<Text>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
    }
}

diesel::table! {
    /// Ends of sessions, written by the store itself; a session that merely runs out has none.
    session_ends (id) {
        /// Identity.
        id -> Uuid,
        /// The session.
        session_id -> Uuid,
        /// Whose session.
        account_id -> Uuid,
        /// How it ended: signed out, password changed, and so on.
        cause -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that ended it; null for the system and for somebody not signed in.
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    /// Results approved while a chart of their method was out of control or their run had no control value that passed and was to have one; written by the store itself with the approval.
    doubted_approvals (id) {
        /// Identity.
        id -> Uuid,
        /// The approval.
        move_id -> Uuid,
        /// determinations or iron_results.
        result_kind -> Text,
        /// The result.
        result_id -> Uuid,
        /// What was out of control or lacking, in words.
        what -> Text,
        /// Concession under which it was approved, if there was one.
        concession_id -> Nullable<Uuid>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account that approved; null where the system noted it later.
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    /// Reviews of the audit trail; each begins where the one before ended.
    trail_reviews (id) {
        /// Identity.
        id -> Uuid,
        /// Number, from 1.
        number -> Int4,
        /// Events that earlier reviews looked at: the first leaf of this one.
        from_size -> Int8,
        /// Events up to the end of this one: the size of the signed tree head that covers it.
        until_size -> Int8,
        /// Root of that head.
        root_hash -> Bytea,
        /// Time of the end of the review before, or of the first event.
        from_at -> Timestamptz,
        /// Time of signing of that head.
        until_at -> Timestamptz,
        /// Exclusions in it.
        exclusions -> Int8,
        /// Corrections after a signature in it.
        corrections -> Int8,
        /// Results approved in it while a control was out.
        released -> Int8,
        /// Sign-ins refused in it, and passwords set anew.
        refused_sign_ins -> Int8,
        /// Sign-ins and sign-outs in it.
        sign_ins -> Int8,
        /// What was found, in words.
        findings -> Text,
        /// Codes of the nonconformities opened for it.
        nonconformities -> Array<Text>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Who reviewed.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// One-time codes set up by the owner of an account and confirmed with a code; in force until they end.
    code_enrolments (id) {
        /// Identity.
        id -> Uuid,
        /// Whose codes.
        account_id -> Uuid,
        /// What the authenticator and the service share, sealed with a secret of the installation that is not in the store and bound to account and enrolment. Never written to the audit log.
        sealed_secret -> Bytea,
        /// SHA-256 of the ten recovery codes, 80 random bits each. Never written to the audit log.
        recovery_digests -> Array<Bytea>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// The owner.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// One-time codes that were taken; each is good once (RFC 6238, 5.2).
    code_uses (id) {
        /// Identity.
        id -> Uuid,
        /// Of which codes.
        enrolment_id -> Uuid,
        /// Whose codes.
        account_id -> Uuid,
        /// Step of 30 s since 1970 whose code it was; null for a recovery code.
        step -> Nullable<Int8>,
        /// Which recovery code it was, from 1; null for a code of the authenticator.
        recovery -> Nullable<Int4>,
        /// What it was asked for.
        purpose -> Text,
        /// Code of the request it came with, made with a secret of the installation: the same request sent again is the same use. Null where a request cannot be recognised.
        request_digest -> Nullable<Bytea>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
    }
}

diesel::table! {
    /// Sign-ins and signatures refused for their one-time code although the password was right.
    code_refusals (id) {
        /// Identity.
        id -> Uuid,
        /// The refused attempt.
        attempt_id -> Uuid,
        /// Whose codes.
        account_id -> Uuid,
        /// missing, wrong, used before, or cannot be checked: sealed with another door.key.
        cause -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
    }
}

diesel::table! {
    /// Whether every signature of an account asks for a code, as its owner chose; the newest counts, without one signatures do not.
    code_choices (id) {
        /// Identity.
        id -> Uuid,
        /// Of which codes.
        enrolment_id -> Uuid,
        /// Whose codes.
        account_id -> Uuid,
        /// Whether signatures ask for a code.
        at_signatures -> Bool,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// The owner.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Ends of one-time codes: by the owner with a code, or reset by an administrator or at the command line for somebody who lost the device.
    code_ends (id) {
        /// Identity.
        id -> Uuid,
        /// Codes that ended.
        enrolment_id -> Uuid,
        /// Whose codes.
        account_id -> Uuid,
        /// ended by the owner, or reset by somebody else.
        kind -> Text,
        /// Why.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Who ended or reset them; null when reset at the command line.
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    /// Decisions on whether administrators must use one-time codes; the newest counts, without one they need not.
    code_rules (id) {
        /// Identity.
        id -> Uuid,
        /// Whether they must: one without codes can then do nothing but set them up.
        administrators_must -> Bool,
        /// Why.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Manager who decided.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Readings as instruments printed them; a person accepts one, or none.
    instrument_readings (id) {
        /// Identity.
        id -> Uuid,
        /// Identity that the connector made before it sent the reading: sent again, it is the same reading.
        sent_as -> Uuid,
        /// Balance or piston burette, by the identity of all its versions.
        equipment_id -> Uuid,
        /// mass or volume.
        quantity -> Text,
        /// Value with the digits that were printed.
        value -> Numeric,
        /// g or mL.
        unit -> Text,
        /// The line as the instrument printed it; bytes that are no text as \x and two hexadecimal digits.
        raw_line -> Text,
        /// When the line came, by the clock of the connector.
        observed_at -> Timestamptz,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Account of the instrument whose token sent it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Which reading of an instrument somebody accepted for which value of a record; only where the value recorded is the one that was read.
    reading_uses (id) {
        /// Identity.
        id -> Uuid,
        /// The reading; it is used once.
        reading_id -> Uuid,
        /// Kind of record, by the name of its table.
        entity_kind -> Text,
        /// The record; of a thing with versions, this version.
        entity_id -> Uuid,
        /// The thing in all its versions.
        record_id -> Uuid,
        /// Name of the value in the record, such as mass_g.
        field -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Who accepted it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// How the laboratory sends e-mail; the newest counts, without one none is sent.
    mail_settings (id) {
        /// Identity.
        id -> Uuid,
        /// Whether e-mail is sent.
        active -> Bool,
        /// Name or address of the mail server.
        host -> Text,
        /// Its port.
        port -> Integer,
        /// none, STARTTLS (RFC 3207), or TLS from the first byte (RFC 8314).
        encryption -> Text,
        /// Name at the mail server; null where it asks for none.
        user_name -> Nullable<Text>,
        /// Password at the mail server, sealed with a secret of the installation that is not in the store and bound to this row, server and name. Never written to the audit log.
        sealed_password -> Nullable<Bytea>,
        /// Who the messages are from.
        sender -> Text,
        /// Address of the service as people reach it, without a slash at its end; links begin with it.
        base_address -> Text,
        /// Domains that addresses of people may be of; empty for any.
        domains -> Array<Text>,
        /// Why.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Administrator who recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// What a person wants to be told by e-mail, as the person chose; the newest counts, without one nothing.
    mail_choices (id) {
        /// Identity.
        id -> Uuid,
        /// Whose choice.
        account_id -> Uuid,
        /// E-mail address; null where nothing is wanted.
        address -> Nullable<Text>,
        /// Whether what presses is told when it begins.
        at_once -> Bool,
        /// Hour of the laboratory's clock at which all that needs attention is told once a day; null for never.
        digest_hour -> Nullable<Integer>,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// The person.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Programs of others that are told of every alert that begins and ends.
    webhook_endpoints (id) {
        /// Identity.
        id -> Uuid,
        /// What it is.
        name -> Text,
        /// Address that is posted to.
        address -> Text,
        /// Whether somebody decided that http off the machine will do.
        plain_http -> Bool,
        /// Secret that messages are signed with, sealed with a secret of the installation that is not in the store and bound to this row. Never written to the audit log.
        sealed_secret -> Bytea,
        /// Why.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Administrator who recorded it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Endpoints that are told nothing more.
    webhook_endpoint_ends (id) {
        /// Identity.
        id -> Uuid,
        /// The endpoint.
        endpoint_id -> Uuid,
        /// Why.
        reason -> Text,
        /// Server time of recording.
        recorded_at -> Timestamptz,
        /// Administrator who ended it.
        recorded_by -> Uuid,
    }
}

diesel::table! {
    /// Alerts that stood at the last look. A working table.
    alerts_standing (key) {
        /// What makes it the same alert: kind, urgency and record, not its words.
        key -> Text,
        /// The alert as JSON text, as it was when it began.
        told -> Text,
        /// When a look found it first.
        began_at -> Timestamptz,
    }
}

diesel::table! {
    /// What is sent, as it is sent at every try. Append only.
    messages (id) {
        /// Identity, which the receiver sees: the same at every try.
        id -> Uuid,
        /// at once, digest or test by e-mail; alert began or alert ended to an endpoint.
        kind -> Text,
        /// Person it is for; of a test who asked for it.
        account_id -> Nullable<Uuid>,
        /// Endpoint it is for.
        endpoint_id -> Nullable<Uuid>,
        /// E-mail address it goes to.
        address -> Nullable<Text>,
        /// Day of a digest by the laboratory's clock; a person has one a day.
        day -> Nullable<Date>,
        /// How many alerts it tells of.
        alerts -> Integer,
        /// Subject of an e-mail; type of what is posted.
        subject -> Text,
        /// Text of an e-mail; JSON that is posted.
        body -> Text,
        /// When it was made.
        made_at -> Timestamptz,
    }
}

diesel::table! {
    /// Messages that are still to be sent. A working table.
    messages_waiting (message_id) {
        /// The message.
        message_id -> Uuid,
        /// Those of one destination wait for each other: mail, or the identity of an endpoint.
        destination -> Text,
        /// How often it was tried.
        tries -> Integer,
        /// When it is tried next.
        next_at -> Timestamptz,
    }
}

diesel::table! {
    /// Every try to send a message. Append only.
    message_tries (message_id, number) {
        /// The message.
        message_id -> Uuid,
        /// Which try, from 1.
        number -> Integer,
        /// Whether the other side took it.
        delivered -> Bool,
        /// Whether none follows: delivered, or given up.
        last -> Bool,
        /// What the other side answered, or why there was no answer.
        answer -> Text,
        /// When.
        tried_at -> Timestamptz,
    }
}

diesel::allow_tables_to_appear_in_same_query!(account_starts, accounts);
diesel::allow_tables_to_appear_in_same_query!(audit_events, audit_leaves);
diesel::allow_tables_to_appear_in_same_query!(audit_events, audit_pending);
diesel::allow_tables_to_appear_in_same_query!(chart_baseline_points, control_values);
diesel::allow_tables_to_appear_in_same_query!(chart_phases, state_moves);
diesel::allow_tables_to_appear_in_same_query!(determinations, titrations);
diesel::allow_tables_to_appear_in_same_query!(nonconformities, nonconformity_links);
diesel::allow_tables_to_appear_in_same_query!(calibration_corrections, equipment_calibrations);
diesel::allow_tables_to_appear_in_same_query!(calibration_statements, equipment_calibrations);
diesel::allow_tables_to_appear_in_same_query!(check_corrections, equipment_checks);
diesel::allow_tables_to_appear_in_same_query!(factor_corrections, titrant_factors);
diesel::allow_tables_to_appear_in_same_query!(factor_corrections, titrants);
diesel::allow_tables_to_appear_in_same_query!(refresh_tokens, sessions);
diesel::allow_tables_to_appear_in_same_query!(titrant_factors, titrants);
diesel::allow_tables_to_appear_in_same_query!(chart_baseline_points, state_moves);
diesel::allow_tables_to_appear_in_same_query!(validation_characteristics, validation_data);
diesel::allow_tables_to_appear_in_same_query!(validation_conclusions, validation_studies);
diesel::allow_tables_to_appear_in_same_query!(
    decision_rules,
    sample_specifications,
    specification_removals,
    specifications,
);
diesel::allow_tables_to_appear_in_same_query!(instrument_readings, reading_uses);
