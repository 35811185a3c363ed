//! Published invariants of R4 that are not evaluated as they are written, each with the reason.

/// What is done instead.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Treatment {
    /// Checked by code in `native`.
    Native,
    /// Checked by this expression.
    Restated(&'static str),
    /// Not checked.
    LeftOut,
}

/// One exception.
#[derive(Debug, Clone, Copy)]
pub(super) struct Exception {
    pub(super) key: &'static str,
    pub(super) treatment: Treatment,
    pub(super) reason: &'static str,
}

const NATIVE_FOR_COST: &str = "applies to every element; reading the object once is cheaper than evaluating";
const PLACEHOLDER: &str =
    "compares the system of scope with the placeholder 'something', so it can never apply";
const BY_ENTRY: &str = "the published form speaks of the whole Bundle; the entry at fault is what has to be found, and a Bundle \
                        without a type lacks its type and not the requests of its entries";
const ABSENT: &str = "the published form is empty, not false, when the element it compares is absent";

/// All exceptions, by key.
pub(super) static EXCEPTIONS: &[Exception] = &[
    Exception { key: "ele-1", treatment: Treatment::Native, reason: NATIVE_FOR_COST },
    Exception { key: "ext-1", treatment: Treatment::Native, reason: NATIVE_FOR_COST },
    Exception {
        key: "dom-3",
        treatment: Treatment::Native,
        reason: "the published form searches the whole resource again for every contained one, and names `as(canonical)` \
                 twice where it means two types",
    },
    Exception {
        key: "ref-1",
        treatment: Treatment::Native,
        reason: "the published form lists all contained ids again for every reference",
    },
    Exception {
        key: "txt-1",
        treatment: Treatment::Native,
        reason: "the published form does not tell bad markup from missing text",
    },
    Exception {
        key: "txt-2",
        treatment: Treatment::Native,
        reason: "the published form does not tell bad markup from missing text",
    },
    Exception {
        key: "dom-6",
        treatment: Treatment::LeftOut,
        reason: "best practice, not a condition: every device result without a narrative would warn",
    },
    Exception {
        key: "ctm-1",
        treatment: Treatment::LeftOut,
        reason: "needs the resource behind a reference, which may be in another system",
    },
    Exception {
        key: "cid-0",
        treatment: Treatment::LeftOut,
        reason: "reads `name`, which a ChargeItemDefinition of R4 does not have",
    },
    Exception { key: "ppc-2", treatment: Treatment::LeftOut, reason: PLACEHOLDER },
    Exception { key: "ppc-3", treatment: Treatment::LeftOut, reason: PLACEHOLDER },
    Exception { key: "ppc-4", treatment: Treatment::LeftOut, reason: PLACEHOLDER },
    Exception { key: "ppc-5", treatment: Treatment::LeftOut, reason: PLACEHOLDER },
    Exception { key: "bdl-3", treatment: Treatment::Native, reason: BY_ENTRY },
    Exception { key: "bdl-4", treatment: Treatment::Native, reason: BY_ENTRY },
    Exception {
        key: "con-3",
        treatment: Treatment::Restated(
            "clinicalStatus.exists() \
             or verificationStatus.coding.where(system = 'http://terminology.hl7.org/CodeSystem/condition-ver-status' \
                and code = 'entered-in-error').exists() \
             or category.coding.where(system = 'http://terminology.hl7.org/CodeSystem/condition-category' \
                and code = 'problem-list-item').empty()",
        ),
        reason: "the published form compares a CodeableConcept with a string, so every Condition with a category and \
                 without a clinical status would warn",
    },
    Exception {
        key: "ras-1",
        treatment: Treatment::Restated(
            "low.all(code = '%' and system = %ucum) and high.all(code = '%' and system = %ucum)",
        ),
        reason: ABSENT,
    },
    Exception {
        key: "tim-9",
        treatment: Treatment::Restated(
            "offset.empty() or (when.exists() and when.where($this in ('C' | 'CM' | 'CD' | 'CV')).empty())",
        ),
        reason: "`when` repeats, and the published form allows `in` one item only",
    },
    Exception {
        key: "que-13",
        treatment: Treatment::Restated("repeats.where($this = true).exists() or initial.count() <= 1"),
        reason: ABSENT,
    },
    Exception {
        key: "opd-2",
        treatment: Treatment::Restated("searchType.empty() or type.where($this = 'string').exists()"),
        reason: ABSENT,
    },
    Exception {
        key: "opd-3",
        treatment: Treatment::Restated(
            "targetProfile.empty() or type.where($this = 'Reference' or $this = 'canonical').exists()",
        ),
        reason: ABSENT,
    },
    Exception {
        key: "sdf-1",
        treatment: Treatment::Restated(
            "derivation.where($this = 'constraint').exists() or snapshot.element.select(path).isDistinct()",
        ),
        reason: ABSENT,
    },
    Exception {
        key: "sdf-5",
        treatment: Treatment::Restated(
            "type != 'Extension' or derivation.where($this = 'specialization').exists() or context.exists()",
        ),
        reason: ABSENT,
    },
    Exception {
        key: "sdf-21",
        treatment: Treatment::Restated(
            "differential.element.defaultValue.empty() or derivation.where($this = 'specialization').exists()",
        ),
        reason: ABSENT,
    },
    Exception {
        key: "vsd-9",
        treatment: Treatment::Restated("code.exists() or abstract.where($this = true).exists()"),
        reason: ABSENT,
    },
    Exception { key: "tst-7", treatment: Treatment::Restated(TEST_TARGET), reason: ABSENT },
    Exception { key: "tst-8", treatment: Treatment::Restated(TEST_TARGET), reason: ABSENT },
    Exception { key: "tst-9", treatment: Treatment::Restated(TEST_TARGET), reason: ABSENT },
];

const TEST_TARGET: &str = "sourceId.exists() or (targetId.count() + url.count() + params.count() = 1) \
    or type.code.where($this in ('capabilities' | 'search' | 'transaction' | 'history')).exists()";

/// The exception for a key.
pub(super) fn exception(key: &str) -> Option<&'static Exception> {
    EXCEPTIONS.iter().find(|exception| exception.key == key)
}
