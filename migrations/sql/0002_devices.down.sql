alter table keys drop column heard_at, drop column waiting;
