"""The codes and addresses of the FHIR mapping, each once.

Sources: HL7 FHIR R4 4.0.1 (profiles bp, heartrate, vitalsigns; extension observation-gatewayDevice); HL7
Personal Health Device guide, R4 release (IEEE 11073-10101 codes, device identifiers, categories, status
bits); HL7 CardX hypertension management guide 1.0.0 (averages); LOINC; UCUM.
"""

LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
MDC = "urn:iso:std:iso:11073:10101"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
VITAL_SIGNS = f'{{"coding":[{{"system":"{CATEGORY}","code":"vital-signs","display":"Vital Signs"}}]}}'
IDENTIFIER_TYPE = "http://terminology.hl7.org/CodeSystem/v2-0203"
PATIENT_CLASS = "http://terminology.hl7.org/CodeSystem/v2-0004"  # its 'U' is the guide's unknown patient

CORE = "http://hl7.org/fhir/StructureDefinition/"
BP_PROFILE = CORE + "bp"
PULSE_PROFILE = CORE + "heartrate"
VITALS_PROFILE = CORE + "vitalsigns"
GATEWAY = CORE + "observation-gatewayDevice"

PHD = "http://hl7.org/fhir/uv/phd/"
PHD_PROFILE = PHD + "StructureDefinition/"
PHD_CATEGORIES = PHD + "CodeSystem/PhdObservationCategories"
DEVICE_IDENTIFIERS = PHD + "CodeSystem/ContinuaDeviceIdentifiers"
STATUS_BITS = "http://terminology.hl7.org/CodeSystem/ASN1ToHL7"
PHD_IDENTIFIER = PHD_PROFILE + "PhdBaseObservation"
COINCIDENT = PHD_PROFILE + "CoincidentTimeStampReference"
SYSTEM_ID = "urn:oid:1.2.840.10004.1.1.1.0.0.1.0.0.1.2680"
BLUETOOTH = "http://hl7.org/fhir/sid/eui-48/bluetooth"

CARDX = "http://hl7.org/fhir/uv/cardx-htn-mng/StructureDefinition/"

OWN = "https://quietcuff.invalid/fhir/"
"""Our own names. They identify and lead nowhere: .invalid never resolves (RFC 2606, section 2)."""
READING_SYSTEM = OWN + "reading"
CLOCK_READING_SYSTEM = OWN + "clock-look"
AVERAGE_SYSTEM = OWN + "average"
REPORT_SYSTEM = OWN + "report"
PERSON_SYSTEM = OWN + "person"
STATION_SYSTEM = OWN + "station"
CUFF_SYSTEM = OWN + "cuff"
AS_COLLECTED = OWN + "StructureDefinition/as-collected"

# component: (MDC code, its reference id, LOINC code, its name)
COMPONENTS = {
    "systolic": ("150021", "MDC_PRESS_BLD_NONINV_SYS", "8480-6", "Systolic blood pressure"),
    "diastolic": ("150022", "MDC_PRESS_BLD_NONINV_DIA", "8462-4", "Diastolic blood pressure"),
    "mean": ("150023", "MDC_PRESS_BLD_NONINV_MEAN", "8478-0", "Mean blood pressure"),
}
MEAN_COMPONENTS = {
    "systolic": ("96608-5", "Systolic blood pressure mean"),
    "diastolic": ("96609-3", "Diastolic blood pressure mean"),
}

STATUS_CODE = "8410608"
BITS = (
    # our word, bit, the standard's name
    ("body movement", 0, "body-movement"),
    ("cuff too loose", 1, "cuff-too-loose"),
    ("irregular pulse", 2, "irregular-pulse"),
    ("pulse above range", 3, "pulse-over-range-limit"),
    ("pulse below range", 4, "pulse-under-range-limit"),
    ("improper position", 5, "improper-body-position"),
)
