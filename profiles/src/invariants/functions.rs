//! The functions of the subset, by name.

macro_rules! functions {
    ($($variant:ident $name:literal $min:literal $max:literal $scoped:literal;)*) => {
        /// A function of the subset.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub(super) enum Function { $($variant),* }

        impl Function {
            /// The function with a name; none if it is outside the subset.
            pub(super) fn named(name: &str) -> Option<Function> {
                match name { $($name => Some(Function::$variant),)* _ => None }
            }

            /// The name as written.
            pub(super) fn name(self) -> &'static str {
                match self { $(Function::$variant => $name),* }
            }

            /// The fewest and the most arguments.
            pub(super) fn arity(self) -> (usize, usize) {
                match self { $(Function::$variant => ($min, $max)),* }
            }

            /// Whether the arguments are expressions about each item (`$this`), not values.
            pub(super) fn is_scoped(self) -> bool {
                match self { $(Function::$variant => $scoped),* }
            }
        }
    };
}

functions! {
    Empty "empty" 0 0 false;
    Exists "exists" 0 1 true;
    All "all" 1 1 true;
    AllTrue "allTrue" 0 0 false;
    AnyTrue "anyTrue" 0 0 false;
    AllFalse "allFalse" 0 0 false;
    AnyFalse "anyFalse" 0 0 false;
    SubsetOf "subsetOf" 1 1 false;
    SupersetOf "supersetOf" 1 1 false;
    Count "count" 0 0 false;
    Distinct "distinct" 0 0 false;
    IsDistinct "isDistinct" 0 0 false;
    Where "where" 1 1 true;
    Select "select" 1 1 true;
    Single "single" 0 0 false;
    First "first" 0 0 false;
    Last "last" 0 0 false;
    Tail "tail" 0 0 false;
    Skip "skip" 1 1 false;
    Take "take" 1 1 false;
    Intersect "intersect" 1 1 false;
    Exclude "exclude" 1 1 false;
    Union "union" 1 1 false;
    Combine "combine" 1 1 false;
    Iif "iif" 2 3 true;
    ToBoolean "toBoolean" 0 0 false;
    ToInteger "toInteger" 0 0 false;
    ToDecimal "toDecimal" 0 0 false;
    ToText "toString" 0 0 false;
    IndexOf "indexOf" 1 1 false;
    Substring "substring" 1 2 false;
    StartsWith "startsWith" 1 1 false;
    EndsWith "endsWith" 1 1 false;
    Contains "contains" 1 1 false;
    Upper "upper" 0 0 false;
    Lower "lower" 0 0 false;
    Replace "replace" 2 2 false;
    Matches "matches" 1 1 false;
    ReplaceMatches "replaceMatches" 2 2 false;
    Length "length" 0 0 false;
    Abs "abs" 0 0 false;
    Ceiling "ceiling" 0 0 false;
    Floor "floor" 0 0 false;
    Truncate "truncate" 0 0 false;
    Round "round" 0 1 false;
    Children "children" 0 0 false;
    Descendants "descendants" 0 0 false;
    Trace "trace" 1 2 true;
    Not "not" 0 0 false;
    HasValue "hasValue" 0 0 false;
    Extension "extension" 1 1 false;
    HtmlChecks "htmlChecks" 0 0 false;
}
