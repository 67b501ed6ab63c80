//! The words themselves, English and German, each list in one text: plain words of the trade, written as
//! [`normal`](super::names::normal) writes names.

use crate::vocabulary::TableName;

/// Other words for our columns.
pub(super) const WORDS: &[(&str, &str)] = &[
    (
        "fitting_id",
        "fitting visit visit_id appointment \
         appointment_id session session_id anpassung anpassung_id anpassungsnummer besuch besuch_id \
         besuchsnummer termin termin_id vorgang vorgangsnummer",
    ),
    (
        "patient_id",
        "patient person person_id client client_id wearer \
         wearer_id subject subject_id pseudonym patientennummer patienten_id kunde kunden_id kundennummer",
    ),
    (
        "clinic_id",
        "clinic site site_id practice practice_id branch branch_id centre center filiale filial_id \
         praxis praxis_id standort betrieb",
    ),
    (
        "clinician_id",
        "clinician audiologist audiologist_id fitter fitter_id dispenser dispenser_id fitted_by \
         staff staff_id akustiker akustiker_id anpasser mitarbeiter mitarbeiter_id",
    ),
    (
        "fitted_on",
        "date fitting_date date_of_fitting visit_date date_of_visit fit_date datum anpassdatum \
         anpassungsdatum datum_der_anpassung besuchsdatum quarter quartal",
    ),
    (
        "age_years",
        "age age_at_fitting age_at_visit alter alter_jahre",
    ),
    (
        "experience",
        "user_type wearer_type experienced previous_user versorgungsart erfahrung",
    ),
    (
        "prescription",
        "prescription_rule prescriptive_rule rule fitting_rule target_rule formula fitting_formula \
         anpassformel anpassregel zielregel",
    ),
    (
        "medical_referral",
        "referral referred medical_referral_made ueberweisung arztueberweisung",
    ),
    (
        "returned",
        "return aids_returned returned_aids sent_back rueckgabe zurueckgegeben",
    ),
    ("ear", "side ear_side side_of_ear seite ohr ohrseite"),
    ("fitted", "aided ear_fitted is_fitted versorgt angepasst"),
    (
        "threshold",
        "threshold_db threshold_db_hl hearing_level db_hl hoerschwelle schwelle",
    ),
    (
        "coupling",
        "acoustic_coupling ear_coupling dome earmould earmold ankopplung otoplastik",
    ),
    (
        "style",
        "aid_style hearing_aid_style aid_type bauform bauart",
    ),
    (
        "stage",
        "phase measurement_stage step messphase phase_der_messung",
    ),
    (
        "quantity",
        "measure measurement_type kind_of_measurement messgroesse messart",
    ),
    (
        "input_level_db",
        "input_level input level level_db input_db input_db_spl signal_level eingangspegel pegel messpegel",
    ),
    (
        "frequency_hz",
        "frequency freq freq_hz hz frequency_khz khz frequenz frequenz_hz",
    ),
    (
        "target_db",
        "target target_value target_level ziel zielwert soll sollwert",
    ),
    (
        "measured_db",
        "measured measured_value measured_level result ist istwert messwert gemessen",
    ),
    ("instrument", "questionnaire scale survey fragebogen"),
    ("item", "question frage"),
    (
        "score",
        "answer response points value antwort punkte punktwert wert",
    ),
    (
        "weeks_after",
        "weeks weeks_after_fitting weeks_since_fitting wochen wochen_danach days days_after \
         days_after_fitting days_since_fitting tage tage_danach",
    ),
];

/// Words in names of files, by table; the first that fits counts.
pub(super) const TABLES: &[(TableName, &str)] = &[
    (
        TableName::Ears,
        "audiogram threshold ears hoerschwelle tonaudio",
    ),
    (
        TableName::Responses,
        "real_ear response curve messung insitu in_situ",
    ),
    (
        TableName::Outcomes,
        "outcome answer questionnaire fragebogen antwort",
    ),
    (TableName::Fittings, "fitting visit anpassung besuch termin"),
];

/// Words that stand before or after a frequency, by family of our columns.
pub(super) const FAMILIES: &[(&str, &str)] = &[
    (
        "threshold_",
        "threshold thr thresh ac air air_conduction hl db_hl tone pure_tone pt audiogram hearing_level \
         hoerschwelle schwelle luftleitung ll",
    ),
    ("target_", "target ziel zielwert soll sollwert"),
    ("measured_", "measured result ist istwert messwert gemessen"),
];

/// The family of a frequency without a word.
pub(super) const FREQUENCY_ALONE: &str = "threshold_";

/// Words that number or name what stands before them: `visit_no` is a visit.
pub(super) const NUMBERING: &[&str] = &["_no", "_nr", "_num", "_number", "_nummer"];

/// Words in names of columns that would tell who a person is (after 45 CFR 164.514(b)(2), from memory).
pub(super) const IDENTIFYING: &str = "name surname firstname lastname forename vorname nachname familienname birth born birthday birthdate dob \
    geburtsdatum geburtstag geboren address adresse anschrift street strasse postcode postal zip plz city \
    town ort wohnort phone telephone telefon tel mobile mobil handy fax email mail insurance versicherung \
    versichertennummer krankenkasse ssn social serial seriennummer licence license account konto url web ip \
    photo picture foto bild";

/// Words in names of columns of free text, in which anything may stand.
pub(super) const FREE_TEXT: &str = "remark remarks note notes comment comments text memo bemerkung bemerkungen notiz notizen kommentar";
