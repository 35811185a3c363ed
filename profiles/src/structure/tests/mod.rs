mod all_types;
mod examples;
