//! Columns that, by their name, hold what tells who a person is.
//!
//! A name is cut into words; it is a direct identifier where it holds all the words of one of [`IDENTIFIERS`] and
//! otherwise nothing but words that say whose or which ([`ROUND_ABOUT`]). So `patient_phone_no` is one, and `phone_app`,
//! `clinic_name` and `born_deaf` are none.

use super::classes::Class;

/// The class of identifiers that a column name speaks of, if any.
pub(crate) fn class_of(name: &str) -> Option<Class> {
    if name.len() > LONGEST_NAME {
        return None;
    }
    let mut words: Vec<&str> = Vec::new();
    let tokens = tokens(name);
    for (position, token) in tokens.iter().enumerate() {
        // The mark of a further label.
        if position == 0 && token == "x" && tokens.len() > 1 {
            continue;
        }
        if !token.bytes().all(|b| b.is_ascii_digit()) {
            words.extend(cut(token)?);
        }
    }
    IDENTIFIERS.iter().find_map(|(class, phrases)| {
        phrases
            .split('|')
            .any(|phrase| holds(&words, phrase))
            .then_some(*class)
    })
}

/// A longer name than this is none (and would take long to cut into words).
const LONGEST_NAME: usize = 200;

/// Whether words hold all of a phrase, and besides it only words that say whose or which, or that name an identifier
/// themselves. A phrase in brackets has to stand alone.
fn holds(words: &[&str], phrase: &str) -> bool {
    if let Some(alone) = phrase.strip_prefix('[').and_then(|p| p.strip_suffix(']')) {
        return words.len() == 1 && words.first() == Some(&alone);
    }
    phrase.split(' ').all(|word| words.contains(&word))
}

/// A name in lower case without accents, cut at everything that is no letter or digit, at changes from lower to upper
/// case, and between letters and digits.
fn tokens(name: &str) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let mut token = String::new();
    let mut last = ' ';
    for c in name.chars() {
        let cuts = (last.is_lowercase() && c.is_uppercase())
            || (last.is_alphabetic() && c.is_numeric())
            || (last.is_numeric() && c.is_alphabetic());
        if (cuts || !c.is_alphanumeric()) && !token.is_empty() {
            out.push(std::mem::take(&mut token));
        }
        if c.is_alphanumeric() {
            for lower in c.to_lowercase() {
                match without_accent(lower) {
                    Some(plain) => token.push_str(plain),
                    None => token.push(lower),
                }
            }
        }
        last = c;
    }
    if !token.is_empty() {
        out.push(token);
    }
    // `e-mail` is one word, whatever stands between.
    let mut joined: Vec<String> = Vec::new();
    for token in out {
        match joined.last_mut() {
            Some(before) if before == "e" && token.starts_with("mail") => before.push_str(&token),
            _ => joined.push(token),
        }
    }
    joined
}

fn without_accent(c: char) -> Option<&'static str> {
    Some(match c {
        'à' | 'á' | 'â' | 'ã' | 'ä' | 'å' | 'ą' => "a",
        'ç' | 'ć' | 'č' => "c",
        'è' | 'é' | 'ê' | 'ë' | 'ę' | 'ě' => "e",
        'ì' | 'í' | 'î' | 'ï' => "i",
        'ł' => "l",
        'ñ' | 'ń' => "n",
        'ò' | 'ó' | 'ô' | 'õ' | 'ö' | 'ø' => "o",
        'ś' | 'š' => "s",
        'ù' | 'ú' | 'û' | 'ü' => "u",
        'ý' | 'ÿ' => "y",
        'ź' | 'ż' | 'ž' => "z",
        'ß' => "ss",
        'æ' => "ae",
        _ => return None,
    })
}

/// Cuts a token into known words, as few as it goes, so that `patientname` and `Telefonnummer` are understood; none
/// where a part of it is no known word.
fn cut(token: &str) -> Option<Vec<&str>> {
    // For each end, the last word of the shortest way there, and the number of words.
    let length = token.len();
    let mut best: Vec<Option<(usize, usize)>> = vec![None; length + 1];
    *best.first_mut()? = Some((0, 0));
    for end in 1..=length {
        for start in 0..end {
            let Some((_, count)) = best.get(start).copied().flatten() else {
                continue;
            };
            let known = token.get(start..end).is_some_and(is_known);
            let shorter = best
                .get(end)
                .copied()
                .flatten()
                .is_none_or(|(_, other)| count + 1 < other);
            if known && shorter {
                *best.get_mut(end)? = Some((start, count + 1));
            }
        }
    }
    let mut out = Vec::new();
    let mut end = length;
    while end > 0 {
        let (start, _) = best.get(end).copied().flatten()?;
        out.push(token.get(start..end)?);
        end = start;
    }
    out.reverse();
    Some(out)
}

fn is_known(word: &str) -> bool {
    ROUND_ABOUT.split_ascii_whitespace().any(|w| w == word)
        || IDENTIFIERS
            .iter()
            .any(|(_, phrases)| phrases.split(['|', ' ', '[', ']']).any(|part| part == word))
}

/// Words that say whose an identifier is, which of several, or that it is a number: they make no identifier by
/// themselves, and take none away.
const ROUND_ABOUT: &str = "\
    patient patients patienten client clients customer person persons people user wearer subject member kunde kunden klient \
    paciente cliente paziente patientin \
    clinician audiologist fitter doctor physician practitioner gp staff employee arzt hausarzt medecin medico \
    parent mother father spouse partner guardian carer next kin relative contact emergency legal insured \
    number numbers no nr num nummer numero numer code id ids identifier key value text field line full complete raw \
    of the de del des der di du da do la le el \
    home work office private business daytime evening primary secondary main other first second third last middle \
    given family maiden birth preferred display current previous old new own personal \
    mobile cell haus \
    device hearing aid aids instrument left right ear unit";

/// Words and phrases that name an identifier, by class: any of those between bars. Words of a phrase may stand in any
/// order. Plain words of English, German, French, Spanish, Italian, Dutch, the Nordic languages and Polish; the
/// grouping is ours.
const IDENTIFIERS: &[(Class, &str)] = &[
    (
        Class::Email,
        "email|emails|emailaddress|emailadresse|courriel|correo|epost|sahkoposti|[mail]|mail address|mailadresse|mailaddress",
    ),
    (
        Class::IpAddress,
        "[ip]|ip address|ip adresse|ip addr|ipv|ipaddr",
    ),
    (
        Class::Url,
        "url|urls|uri|website|webpage|homepage|weblink|web address|web page|web site",
    ),
    (
        Class::Device,
        "serial number|serial no|serial nr|serial num|serial id|serial code|[serial]|serialnumber|serialno|seriennummer|seriennr|\
         serie numero|serienummer|imei|mac address|macaddress|udi|device id|device identifier|device number",
    ),
    (Class::Fax, "fax|telefax|facsimile"),
    (
        Class::Telephone,
        "phone|phones|telephone|telephones|cellphone|mobilephone|telefon|telefono|telefone|telefoon|tel|handynummer|handynr|\
         handy nummer|rufnummer|[mobile]|mobile number|mobile no|mobile nr|cell number|cell no|mobil nummer|mobilnummer|mobilnr|\
         [handy]|[cell]|puhelin|puhelinnumero|portable numero|gsm nummer|gsm number",
    ),
    (
        Class::Date,
        "dob|birth date|birthdate|birthday|birth day|birth year|birthyear|birth month|date birth|geburtsdatum|geburtstag|geburtsjahr|\
         geburtsmonat|gebdatum|geb datum|gebdat|date naissance|naissance|fecha nacimiento|nacimiento|data nascita|nascita|\
         data nascimento|nascimento|geboortedatum|geboorte datum|geboortejaar|fodselsdato|fodselsdag|fodelsedatum|fodelsedag|\
         syntymaaika|urodzenia data|dataurodzenia|death date|deathdate|date death|dod|todesdatum|sterbedatum|deces date|\
         admission date|date admission|discharge date|date discharge|aufnahmedatum|entlassungsdatum",
    ),
    (
        Class::NationalNumber,
        "ssn|social security|socialsecurity|social insurance|sozialversicherungsnummer|sozialversicherung nummer|svnr|rentenversicherungsnummer|\
         securite sociale|seguridad social|national insurance|nationalinsurance|nino|national id|national identifier|national number|nationalid|nationality number|tax id|\
         tax number|taxid|steuernummer|steuerid|steuer id|steuer nummer|passport|reisepass|passnummer|passeport|pasaporte|personalausweis|ausweisnummer|ausweis nummer|\
         identity card|identity number|id card|idcard|personnummer|personnr|personnumber|fodselsnummer|henkilotunnus|hetu|cpr|bsn|burgerservicenummer|nir|insee|dni|nif|\
         codice fiscale|codicefiscale|fiscal code|pesel|ahv|ppsn|nhs number|nhs no|nhsnumber|nhsno",
    ),
    (
        Class::MedicalRecord,
        "mrn|medical record|medicalrecord|health record|record number|record no|chart number|chart no|hospital number|patient number|patient no|patient nr|patientennummer|\
         patientennr|patienten nummer|patienten nr|patientnumber|patientno|aktenzeichen|aktennummer|akte nummer|fallnummer|dossier numero|\
         numero patient|case number|case no",
    ),
    (
        Class::HealthPlan,
        "health plan|healthplan|plan number|beneficiary|insurance number|insurance no|insurance nr|insurance id|insurance policy|policy number|policy no|\
         policynumber|policynr|member id|member number|member no|medicare number|medicaid number|medicare id|medicaid id|krankenversicherungsnummer|krankenversicherung nummer|\
         versichertennummer|versicherungsnummer|versicherung nummer|kvnr|krankenkassennummer|krankenkasse nummer|ehic|polisnummer|numero mutuelle|tarjeta sanitaria|\
         tessera sanitaria",
    ),
    (
        Class::Account,
        "account number|account no|account nr|account id|accountnumber|accountno|accountid|account code|bank account|iban|kontonummer|konto nummer|konto nr|kontonr|bankverbindung|credit card|card number|\
         creditcard|cardnumber|kreditkarte|compte numero|cuenta numero|conto numero|rekeningnummer",
    ),
    (
        Class::Vehicle,
        "vehicle number|vehicle id|vehicle identifier|vehicle registration|vehicle plate|vehicle no|[vehicle]|vin|licence plate|license plate|licenseplate|licenceplate|number plate|numberplate|\
         kennzeichen|kfz|fahrgestellnummer|immatriculation|matricula|kenteken",
    ),
    (
        Class::Licence,
        "licence number|license number|licence no|license no|licence id|license id|licence nr|license nr|licencenumber|licensenumber|driver licence|driver license|drivers licence|\
         drivers license|driving licence|driving license|fuhrerschein|fuehrerschein|permis conduire|certificate number|certificate no|certificate id|registration number|registration no|approbationsnummer|zulassungsnummer",
    ),
    (
        Class::Biometric,
        "fingerprint|fingerprints|finger print|voiceprint|voice print|faceprint|biometric|biometrics|biometry|fingerabdruck|retina scan|iris scan|empreinte digitale|huella dactilar",
    ),
    (
        Class::Photograph,
        "photo|photos|photograph|photographs|photography|portrait|headshot|selfie|foto|fotos|lichtbild|passbild|face image|face picture|patient image|patient picture|patient bild",
    ),
    (
        Class::OtherCode,
        "username|user name|userid|user id|login|loginname|benutzername|benutzer name|password|passwort|customer number|customer no|customer id|customer nr|customerid|\
         customernumber|kundennummer|kundennr|kunden nummer|kunden nr|client number|client no|clientnumber|employee number|employee no|employee id|personalnummer|\
         signature|unterschrift|[guid]",
    ),
    (
        Class::Place,
        "address|addresses|addr|adresse|adress|adres|anschrift|street|streets|strasse|strassen|straat|calle|direccion|indirizzo|wohnort|wohnadresse|hausnummer|haus nummer|\
         houseno|housenumber|house number|house no|postcode|postcodes|postalcode|postal code|post code|postal|zip|zipcode|plz|postleitzahl|code postal|\
         codepostal|codigo postal|cap codice|postnummer|kod pocztowy|[city]|home city|city code|city name|patient city|[town]|town name|home town|hometown|[village]|village name|[stadt]|[ort]|[ville]|\
         [ciudad]|[citta]|[stad]|gemeinde|[county]|county name|county code|latitude|longitude|geocode|geolocation|gps|coordinates",
    ),
    (
        Class::Name,
        "[name]|[names]|[fullname]|surname|forename|firstname|lastname|fullname|givenname|familyname|middlename|maidenname|nickname|patientname|clientname|customername|\
         first name|last name|full name|given name|family name|middle name|maiden name|birth name|second name|preferred name|display name|legal name|complete name|\
         patient name|patients name|patienten name|client name|customer name|person name|user name|wearer name|subject name|member name|kunde name|kunden name|insured name|own name|\
         clinician name|audiologist name|fitter name|doctor name|physician name|practitioner name|gp name|staff name|employee name|arzt name|hausarzt name|\
         parent name|mother name|father name|spouse name|partner name|guardian name|carer name|relative name|kin name|contact name|\
         next kin|initials|nachname|vorname|vornamen|familienname|geburtsname|zuname|rufname|[nom]|nom patient|nom famille|nom client|prenom|[nombre]|nombre paciente|\
         nombre cliente|apellido|apellidos|[nome]|nome paziente|nome paciente|cognome|sobrenome|[naam]|achternaam|voornaam|[navn]|etternavn|efternavn|fornavn|\
         [namn]|efternamn|fornamn|sukunimi|etunimi|nazwisko|imie",
    ),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn direct_identifiers_are_known_by_their_names() {
        for (name, class) in [
            ("name", Class::Name),
            ("x_name", Class::Name),
            ("PatientName", Class::Name),
            ("patientname", Class::Name),
            ("Name of patient", Class::Name),
            ("clinician_name", Class::Name),
            ("last_name", Class::Name),
            ("SURNAME", Class::Name),
            ("Nachname", Class::Name),
            ("x_vorname", Class::Name),
            ("Prénom", Class::Name),
            ("apellidos", Class::Name),
            ("initials", Class::Name),
            ("date_of_birth", Class::Date),
            ("DateOfBirth", Class::Date),
            ("dateofbirth", Class::Date),
            ("birth date", Class::Date),
            ("birthdate", Class::Date),
            ("DOB", Class::Date),
            ("x_dob", Class::Date),
            ("Geburtsdatum", Class::Date),
            ("year_of_birth", Class::Date),
            ("date de naissance", Class::Date),
            ("Address", Class::Place),
            ("address_line_1", Class::Place),
            ("street", Class::Place),
            ("Straße", Class::Place),
            ("x_postcode", Class::Place),
            ("ZIP", Class::Place),
            ("PLZ", Class::Place),
            ("x_city", Class::Place),
            ("phone", Class::Telephone),
            ("home_phone_2", Class::Telephone),
            ("PhoneNumber", Class::Telephone),
            ("phonenumber", Class::Telephone),
            ("Telefonnummer", Class::Telephone),
            ("Tel.", Class::Telephone),
            ("mobile no", Class::Telephone),
            ("fax", Class::Fax),
            ("Fax number", Class::Fax),
            ("e-mail", Class::Email),
            ("E-Mail-Adresse", Class::Email),
            ("emailAddress", Class::Email),
            ("ssn", Class::NationalNumber),
            ("social security number", Class::NationalNumber),
            ("National_Insurance_No", Class::NationalNumber),
            ("national id", Class::NationalNumber),
            ("codice_fiscale", Class::NationalNumber),
            ("NHS Number", Class::NationalNumber),
            ("passport", Class::NationalNumber),
            ("MRN", Class::MedicalRecord),
            ("medical_record_number", Class::MedicalRecord),
            ("Patientennummer", Class::MedicalRecord),
            ("health_plan_number", Class::HealthPlan),
            ("Versichertennummer", Class::HealthPlan),
            ("insurance number", Class::HealthPlan),
            ("account_number", Class::Account),
            ("IBAN", Class::Account),
            ("license_number", Class::Licence),
            ("driving licence", Class::Licence),
            ("licence plate", Class::Vehicle),
            ("Kennzeichen", Class::Vehicle),
            ("serial number", Class::Device),
            ("x_serial_no_left", Class::Device),
            ("device_serial_number", Class::Device),
            ("Seriennummer", Class::Device),
            ("url", Class::Url),
            ("ip_address", Class::IpAddress),
            ("ip", Class::IpAddress),
            ("fingerprint", Class::Biometric),
            ("voice_print", Class::Biometric),
            ("photo", Class::Photograph),
            ("patient_photo", Class::Photograph),
            ("username", Class::OtherCode),
            ("customer_no", Class::OtherCode),
        ] {
            assert_eq!(class_of(name), Some(class), "{name}");
        }
    }

    /// Labels that a practice may well want, with the same words in them.
    #[test]
    fn names_of_other_things_are_none() {
        for name in [
            "clinic_name",
            "x_clinic_name",
            "column_name",
            "file_name",
            "table_name",
            "x_program_name",
            "x_device_name",
            "x_style_name",
            "instrument_name",
            "x_phone_app",
            "x_phone_streaming",
            "x_telephone_use",
            "x_telecoil",
            "x_headphones",
            "x_mobile_app",
            "x_email_consent",
            "x_photo_consent",
            "x_insurance",
            "x_insurance_type",
            "x_health_system",
            "x_city_size",
            "x_town_or_country",
            "x_born_deaf",
            "x_birth_order",
            "x_ip_rating",
            "x_licence_type",
            "x_account",
            "x_account_manager",
            "x_region",
            "x_state",
            "x_country",
            "x_data",
            "x_date_band",
            "x_device",
            "x_serial_port",
            "x_contact_type",
            "x_new",
            "x_first",
            "x_code",
            "x_number",
            "x_line",
            "x_home_visit",
            "x_ipsilateral",
            "x_webinar",
            "x_north",
            "x_via",
            "x_technology_level",
            "x_ear_mould",
            "x_main_language",
            "x_first_language",
            "x",
            "x_",
            "",
            "fitting_id",
            "patient_id",
            "clinic_id",
            "clinician_id",
            "fitted_on",
            "age_years",
        ] {
            assert_eq!(class_of(name), None, "{name}");
        }
        use crate::delivery::columns::{FITTINGS, OUTCOMES, ears, responses_long, responses_wide};
        let ours = [
            FITTINGS.to_vec(),
            OUTCOMES.to_vec(),
            ears(),
            responses_long(),
            responses_wide(),
        ];
        for spec in ours.concat() {
            assert_eq!(class_of(spec.name), None, "{}", spec.name);
        }
    }
}
